"""Papers of a case are those that custody tells of, and no other file is given out as one."""

from __future__ import annotations

from collections.abc import Iterator
from pathlib import Path

import pytest

from mendbay.core.errors import CaseForgotten, NoSuchItem, SourceChanged, UsageError
from mendbay.core.note import Note, NoteKind
from mendbay.jobs.bench import Bench
from mendbay.jobs.case_papers import paper_bytes, papers_made
from mendbay.jobs.letters import letter_pdf
from mendbay.jobs.take_in import take_in
from mendbay.jobs.write_receipt import SUBJECT, newest_receipt, receipts_made, write_receipt
from mendbay.wiring import open_bench


@pytest.fixture
def bench(tmp_path: Path) -> Iterator[Bench]:
    with open_bench(tmp_path / "home") as found:
        take_in(found, "Fern")
        yield found


def test_a_paper_is_told_and_given_out(bench: Bench) -> None:
    assert papers_made(bench, 1) == ()
    made = letter_pdf(bench, 1)
    (paper,) = papers_made(bench, 1)
    assert (f"papers/{paper.name}", paper.what) == (made.path, "letter made for the customer")
    assert paper_bytes(bench, 1, paper.name) == made.pdf


def test_nothing_else_is_given_out(bench: Bench, tmp_path: Path) -> None:
    letter_pdf(bench, 1)
    folder = bench.images.folder(bench.ledger.case(1))
    (folder / "papers" / "other.pdf").write_bytes(b"%PDF other")
    bench.custody(1, "a form of the customer's", "papers/authority/form.pdf, SHA-256 0")
    for name in ("other.pdf", "", "..", "../../ledger.sqlite3", "authority/form.pdf", "/etc/passwd"):
        with pytest.raises(UsageError):
            paper_bytes(bench, 1, name)


def test_a_paper_that_is_gone_or_a_link_is_told_as_that(bench: Bench, tmp_path: Path) -> None:
    made = letter_pdf(bench, 1)
    place = bench.images.folder(bench.ledger.case(1)) / made.path
    place.unlink()
    name = made.path.removeprefix("papers/")
    with pytest.raises(SourceChanged):
        paper_bytes(bench, 1, name)
    place.symlink_to("/etc/hostname")
    with pytest.raises(SourceChanged):
        paper_bytes(bench, 1, name)


def test_the_newest_receipt_is_proven_by_its_digest(bench: Bench) -> None:
    with pytest.raises(NoSuchItem, match="has no receipt"):
        newest_receipt(bench, 1)
    for agreed in ("Read both.", "Read one."):
        made = write_receipt(bench, 1, [agreed])
    bench.notes.add(Note(1, "", NoteKind.LETTER, SUBJECT, bench.now(), bench.who, "no receipt of ours"))
    assert [one.path for one in receipts_made(bench, 1)][-1] == made.path
    assert newest_receipt(bench, 1) == made.pdf
    (bench.images.folder(bench.ledger.case(1)) / made.path).write_bytes(b"%PDF other")
    with pytest.raises(SourceChanged, match="no longer holds what was kept"):
        newest_receipt(bench, 1)


def test_a_forgotten_case_has_none(bench: Bench) -> None:
    bench.ledger.forget_case(1, bench.now(), "Kim", ())
    with pytest.raises(CaseForgotten):
        papers_made(bench, 1)

"""The commands of items, hand-overs and custody as a technician types them."""

from __future__ import annotations

from pathlib import Path

import pytest

from support.answers import Run, answer, fits, refused, text_of


@pytest.fixture(autouse=True)
def narrow(monkeypatch: pytest.MonkeyPatch) -> None:
    """A terminal of 80 columns."""
    monkeypatch.setenv("COLUMNS", "80")


def test_every_answer_has_its_documented_shape(run: Run, tmp_path: Path) -> None:
    assert [one["code"] for one in answer(run, "case", "items", "1")] == ["0001-01", "0001-02"]
    added = answer(run, "case", "item-add", "1", "mains adapter", "--marks", "12 V 3 A", "--of", "lent")
    assert (added["code"], added["owner"]) == ("0001-03", "lent by the shop")
    assert answer(run, "case", "item-change", "1", "3", "--of", "shop")["changes"]
    assert answer(run, "case", "item-move", "1", "1-3", "here", "--place", "B4")["place"] == "B4"
    assert answer(run, "case", "find", "mendbay:case:0001-03")["item"]["place"] == "B4"
    assert answer(run, "case", "labels", "1", tmp_path / "all.pdf")["labels"] == 3
    assert answer(run, "case", "labels", "1", "2", "0001-01", tmp_path / "two.pdf")["labels"] == 2
    over = answer(run, "case", "receive", "1", "1", "2", "--name", "A. Potter")
    assert Path(over["path"]).read_bytes().startswith(b"%PDF")
    assert answer(run, "case", "release", "1", "1", "--to", "lab")["with"] == "lab"
    assert answer(run, "case", "hand-over", "1", "2", tmp_path / "again.pdf")["number"] == 2
    scan = tmp_path / "scan.png"
    scan.write_bytes(b"%PDF-1")
    assert answer(run, "case", "signed", "1", "1", scan)["signed"][0]["size_bytes"] == 6
    assert [bool(one["signed"]) for one in answer(run, "case", "hand-overs", "1")] == [True, False]
    back = ("--take-back", "hand-over-1-signed.pdf", "--reason", "page missing")
    assert answer(run, "case", "signed", "1", "1", *back)["signed"] == []
    assert (
        answer(run, "case", "signed", "1", "1", scan)["signed"][0]["path"] == "papers/hand-over-1-signed.pdf"
    )
    receipt = answer(run, "case", "receipt", "1", tmp_path / "receipt.pdf", "--agreed", "Read both.")
    assert receipt["items"] == ["0001-02"]
    log = tmp_path / "log.jsonl"
    out = answer(run, "case", "custody", "1", "--receipt", receipt["head"], "--export", log)
    assert (out["anchored"], out["path"]) == (True, str(log))
    assert answer(run, "case", "custody-check", log, "--receipt", receipt["head"])["anchored"]
    assert len(answer(run, "case", "show", "1")["items"]) == 3


def test_what_the_words_say(run: Run) -> None:
    text_of(run, "case", "receive", "1", "1")
    text_of(run, "case", "release", "1", "1", "--to", "courier")
    shown = text_of(run, "case", "show", "1")
    assert "  0001-01  drive of bay 1\n      sent to the courier\n" in shown
    listed = text_of(run, "case", "hand-overs", "1")
    assert listed.count("NOT SIGNED YET") == 2
    assert "Next: mendbay case signed 1 1 FILE" in listed
    assert fits(shown + listed), shown + listed


def test_what_was_put_down_by_mistake_is_taken_back(run: Run) -> None:
    code = answer(run, "case", "item-add", "1", "medium")["code"]
    answer(run, "case", "release", "1", code, "--to", "customer")
    assert "case call-off 1 1 --reason REASON" in " ".join(
        refused(run, 2, "case", "item-withdraw", "1", code, "--reason", "entered twice").split()
    )
    assert "here" in text_of(run, "case", "call-off", "1", "1", "--reason", "nobody came")
    listed = text_of(run, "case", "hand-overs", "1")
    assert "called off: nobody came" in listed
    assert "NOT SIGNED" not in listed
    assert "Next" not in listed
    assert answer(run, "case", "hand-overs", "1")[0]["called_off"] == "nobody came"
    assert answer(run, "case", "item-withdraw", "1", code, "--reason", "entered twice")["code"] == code
    assert code not in text_of(run, "case", "items", "1")
    answer(run, "case", "release", "1", "1", "--to", "customer")
    assert answer(run, "case", "call-off", "1", "2", "--reason", "nobody came")["called_off"]
    more = answer(run, "case", "item-add", "1", "cable")["code"]
    assert "Taken back" in text_of(run, "case", "item-withdraw", "1", more, "--reason", "entered twice")


def test_a_signed_paper_taken_back_is_not_signed_yet(run: Run, tmp_path: Path) -> None:
    text_of(run, "case", "receive", "1", "1")
    for name in ("a.pdf", "b.pdf"):
        (tmp_path / name).write_bytes(b"%PDF-1.7 " + name.encode())
        text_of(run, "case", "signed", "1", "1", tmp_path / name)
    listed = text_of(run, "case", "hand-overs", "1")
    assert "papers/hand-over-1-signed.pdf\n    signed: papers/hand-over-1-signed-2.pdf\n" in listed
    back = ("case", "signed", "1", "1", "--reason", "of another case", "--take-back")
    assert "NOT SIGNED YET" not in text_of(run, *back, "hand-over-1-signed.pdf")
    assert "no signed paper" in refused(run, 43, *back, "hand-over-1-signed.pdf")
    said = text_of(run, *back, "papers/hand-over-1-signed-2.pdf")
    assert "NOT SIGNED YET\nNext: mendbay case signed 1 1 FILE" in said
    assert "NOT SIGNED YET" in text_of(run, "case", "hand-overs", "1")
    log = tmp_path / "log.jsonl"
    text_of(run, "case", "custody", "1", "--export", log)
    assert log.read_text("utf-8").count("taken back, kept by mistake: of another case") == 2
    for wrong in (("--take-back", "x"), (), (tmp_path / "a.pdf", "--take-back", "x", "--reason", "y")):
        refused(run, 2, "case", "signed", "1", "1", *wrong)


def test_a_second_box_is_asked_for(run: Run) -> None:
    text_of(run, "case", "item-add", "1", "box", "--marks", "Tarn")
    said = " ".join(refused(run, 2, "case", "item-add", "1", "box").split())
    assert "The box is item 0001-03 already (Tarn, here)." in said
    assert "with --another a second box is taken in" in said
    assert answer(run, "case", "item-add", "1", "box", "--another")["code"] == "0001-04"
    assert "Only of a box" in refused(run, 2, "case", "item-add", "1", "cable", "--another")


def test_a_tampered_export_is_told_without_a_ledger(run: Run, tmp_path: Path) -> None:
    log = tmp_path / "log.jsonl"
    text_of(run, "case", "item-add", "1", "cable")
    text_of(run, "case", "custody", "1", "--export", log)
    lines = log.read_bytes().splitlines(keepends=True)
    head = answer(run, "case", "custody-check", log)["head"]
    bad = tmp_path / "bad.jsonl"
    for changed, said, receipt in (
        ([lines[0].replace(b"taken", b"given"), *lines[1:]], "Entry 1: changed", ()),
        ([lines[0], *lines[2:]], "Entry 2: removed", ()),
        ([lines[1], lines[0], *lines[2:]], "Entry 1: reordered", ()),
        ([*lines, lines[1]], "Entry 2: inserted", ()),
        ([*lines[:2], b"{}\n", *lines[2:]], "Line 3: changed", ()),
        (lines[:-1], "Entry 4: cut", ("--receipt", head)),
    ):
        bad.write_bytes(b"".join(changed))
        assert said in refused(run, 42, "case", "custody-check", bad, *receipt)
    wrong = head[:-1] + ("0" if head[-1] != "0" else "1")
    for command in (("custody-check", log), ("custody", "1")):
        shown = " ".join(refused(run, 42, "case", *command, "--receipt", wrong).split())
        assert "it was mistyped, or the log was written anew" in shown
        assert "Next: Compare what was typed with the paper, digit by digit" in shown
    assert not (tmp_path / "no-ledger").exists()
    done = run("--home", tmp_path / "no-ledger", "case", "custody-check", log)
    assert done.returncode == 0
    assert not (tmp_path / "no-ledger").exists()


@pytest.mark.parametrize(
    ("code", "words", "said"),
    [
        (2, ("find", "7"), "not the code of an item"),
        (41, ("find", "7-1"), "no case 7"),
        (43, ("find", "1-7"), "no item 7"),
        (2, ("labels", "1", "1"), "not the name of a PDF file"),
        (2, ("item-move", "1", "1", "customer"), "case release 1 0001-01 --to customer"),
        (2, ("item-move", "1", "1", "used"), "without a reason"),
        (43, ("signed", "1", "1", "/dev/null"), "no hand-over 1"),
        (2, ("custody-check", "/dev/null"), "Next"),
        (2, ("custody", "1", "--receipt", "5"), "not the head"),
    ],
)
def test_what_cannot_be_is_refused_with_the_next_step(
    run: Run, code: int, words: tuple[str, ...], said: str
) -> None:
    assert said in refused(run, code, "case", *words)


@pytest.mark.parametrize(
    ("role", "needed", "title"),
    [
        ("lab", "open-drive", "opening by a laboratory with a clean room"),
        ("courier", "shipping", "sending things by a carrier"),
    ],
)
def test_what_the_customer_refused_leaves_with_a_reason_alone(
    run: Run, tmp_path: Path, role: str, needed: str, title: str
) -> None:
    text_of(run, "case", "receive", "1", "1")
    text_of(run, "case", "consent", "1", needed, "no")
    said = " ".join(refused(run, 16, "case", "release", "1", "1", "--to", role).split())
    assert f"The customer refused {title} in case 1." in said
    assert f"mendbay case consent 1 {needed} yes" in said
    assert len(answer(run, "case", "hand-overs", "1")) == 1, "nothing was recorded"
    reason = ("--although-refused", "agreed on the telephone")
    assert answer(run, "case", "release", "1", "1", "--to", role, *reason)["with"] == role
    log = tmp_path / "log.jsonl"
    text_of(run, "case", "custody", "1", "--export", log)
    assert f"although the customer refused {title}" in log.read_text("utf-8")
    assert "0001-01; agreed on the telephone" in log.read_text("utf-8")


def test_the_customer_gets_things_back_whatever_was_refused(run: Run) -> None:
    text_of(run, "case", "receive", "1", "1")
    for needed in ("open-drive", "shipping", "power-on"):
        text_of(run, "case", "consent", "1", needed, "no")
    text_of(run, "case", "release", "1", "1", "--to", "customer")

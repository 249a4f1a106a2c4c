"""Volumes whose journal was not empty, from opening them to the proof of single files."""

from __future__ import annotations

import pytest

from mendbay.core.span import Span, SpanSet
from mendbay.files.readers.ext import HEAD_IS_OLDER, MOST_JOURNAL_BLOCKS, _whole_places
from mendbay.files.readers.ext_inode import OLDER
from mendbay.files.readers.ext_map import BlockMap, Run
from mendbay.files.readers.ext_tree import OR_JOURNAL
from mendbay.files.readers.ext_volume import FROM_OLDER, parse_superblock
from mendbay.files.tree import Proof
from mendbay.files.verdict import file_outlook, judge
from support.ext_damage import Patient, healthy
from support.ext_images import image_bytes
from support.ext_journals import BLOCK, HandJournal

RENAMED = b"empty-f0lder"
WAS = b"empty-folder"


def patient_with_news(recipe: str = "ext3") -> tuple[Patient, HandJournal, int]:
    """An image whose root folder has one more change in its journal, that journal (not on the image yet),
    and the block of the root folder."""
    patient = Patient(recipe)
    (folder,) = patient.blocks_of("/")
    old = bytes(patient.data[folder * BLOCK : (folder + 1) * BLOCK])
    assert WAS in old
    hand = HandJournal(length=256)
    hand.transaction([(folder, old.replace(WAS, RENAMED))])
    return patient, hand, folder


def names(patient: Patient) -> set[bytes]:
    return set(patient.listing()) & {WAS, RENAMED}


def test_the_newest_names_are_those_in_the_journal_and_lead_there() -> None:
    patient, hand, folder = patient_with_news()
    first = hand.on_image(patient.data)
    found, was = patient.listing(), healthy("ext3")
    assert set(found) == set(was) - {WAS} | {RENAMED}
    assert found[RENAMED].proof is Proof.STRUCTURE
    fs = patient.open()
    (remark,) = fs.facts.remarks
    assert remark == (
        "The journal was not empty: 1 block of 1 transaction are read from it instead of from their places."
    )
    place = Span.at((first + 2) * BLOCK, BLOCK)
    (extent,) = fs.layout(found[b""]).extents
    assert extent.volume_span == Span.at(folder * BLOCK, BLOCK)
    (origin,) = fs.source.trace(extent.volume_span)
    assert origin.at == place
    assert fs.source.needs(SpanSet([extent.volume_span])) == {"1": SpanSet([place])}
    assert fs.metadata().covers(Span.at(first * BLOCK, 256 * BLOCK))


def test_the_journal_of_a_volume_that_was_closed_is_left_alone() -> None:
    patient, hand, _ = patient_with_news()
    hand.on_image(patient.data, flagged=False)
    assert patient.listing() == healthy("ext3")
    assert patient.open().facts.remarks == ()


def test_a_journal_that_starts_nowhere_is_empty() -> None:
    patient, hand, _ = patient_with_news()
    hand.start = 0
    hand.on_image(patient.data)
    assert patient.listing() == healthy("ext3")
    assert patient.open().facts.remarks == ()


@pytest.mark.parametrize("harm", ["zero", "garbage", "refused"])
def test_a_journal_whose_inode_is_lost_is_found_by_the_copy_of_its_map(harm: str) -> None:
    patient, hand, _ = patient_with_news()
    hand.on_image(patient.data)
    where = Span.at(patient.inode_at("<8>"), 256)
    if harm == "refused":
        patient.refuse([where.widen(512)])
    else:
        patient.fill(where, b"\0" if harm == "zero" else b"\x93\x81\x5a")
    fs = patient.open()
    assert names(patient) == {RENAMED}
    assert any(remark.startswith("The journal was not empty") for remark in fs.facts.remarks)


@pytest.mark.parametrize("harm", ["zero", "refused"])
def test_a_journal_whose_head_is_lost_is_told(harm: str) -> None:
    patient, hand, _ = patient_with_news()
    first = hand.on_image(patient.data)
    if harm == "refused":
        patient.refuse([Span.at(first * BLOCK, BLOCK)])
    else:
        patient.fill(Span.at(first * BLOCK, BLOCK))
    assert names(patient) == {WAS}
    (remark,) = patient.open().facts.remarks
    assert "cannot be read or is damaged: the newest changes are missing" in remark


@pytest.mark.parametrize("recipe", ["ext3", "ext4-1k"])
def test_with_a_copy_of_the_superblock_the_start_of_the_journal_decides(recipe: str) -> None:
    patient = Patient(recipe)
    block = 60_000
    hand = HandJournal(length=256)
    hand.transaction([(block, b"n" * BLOCK)])
    hand.on_image(patient.data)
    patient.fill(Span.at(1024, 1024))
    fs = patient.open()
    assert fs.source.read(Span.at(block * BLOCK, BLOCK)).data == b"n" * BLOCK
    told = " ".join(fs.facts.remarks)
    assert "copy in group 1" in told
    assert "The journal was not empty" in told


def test_an_unreadable_copy_leaves_what_stands_in_place_without_proof() -> None:
    patient = Patient("ext4-1k")
    place = patient.inode_at("/edges/12")
    table = place // BLOCK
    hand = HandJournal(length=256, features=0x13)
    (copy,) = hand.transaction([(table, bytes(patient.data[table * BLOCK : (table + 1) * BLOCK]))])
    first = hand.on_image(patient.data)
    assert patient.listing() == healthy("ext4-1k")
    patient.refuse([Span.at((first + copy) * BLOCK, BLOCK)])
    found, was = patient.listing(), healthy("ext4-1k")
    assert set(found) == set(was)
    in_doubt = {path for path in found if found[path] != was[path]}
    assert b"edges/12" in in_doubt
    assert len(in_doubt) <= BLOCK // 256
    fs = patient.open()
    for path in in_doubt:
        entry = found[path]
        assert (entry.proof, entry.problems) == (Proof.NONE, (OLDER + OR_JOURNAL,))
        layout = fs.layout(entry)
        assert layout.problems == entry.problems
        assert judge(entry, layout, file_outlook(fs.source, layout)).verdict == "unproven"


def test_a_superblock_from_the_half_that_fell_behind_does_not_decide_on_the_journal() -> None:
    patient, hand, _ = patient_with_news()
    first = hand.on_image(patient.data, flagged=False)
    patient.older = SpanSet([Span.at(1024, 1024)])
    fs = patient.open()
    assert fs.facts.remarks[0] == FROM_OLDER
    assert names(patient) == {RENAMED}
    patient.data[first * BLOCK + 0x1C : first * BLOCK + 0x20] = bytes(4)
    assert names(patient) == {WAS}


def test_an_empty_journal_by_the_half_that_fell_behind_is_told() -> None:
    patient, hand, _ = patient_with_news()
    hand.start = 0
    first = hand.on_image(patient.data)
    patient.older = SpanSet([Span.at(first * BLOCK, BLOCK)])
    assert patient.open().facts.remarks == (HEAD_IS_OLDER,)


def test_a_journal_too_large_to_be_one_or_with_holes_has_no_places() -> None:
    one = parse_superblock(image_bytes("ext3")[1024:2048])
    assert one is not None
    long = 1 << 15
    sound = BlockMap(runs=[Run(0, 100, long), Run(long, 9, long)])
    size = 2 * long * BLOCK
    assert _whole_places(one, sound, size).tolist() == [*range(100, 100 + long), *range(9, 9 + long)]
    assert _whole_places(one, sound, size + 1).size == 0
    count = MOST_JOURNAL_BLOCKS // long + 1
    large = BlockMap(runs=[Run(index * long, 100, long) for index in range(count)])
    assert _whole_places(one, large, size).size == 0
    assert _whole_places(one, BlockMap(runs=[Run(1, 100, 4 * long)]), size).size == 0
    assert _whole_places(one, BlockMap(runs=sound.runs, lost=[(70_000, 70_001)]), size).size == 0


def test_a_journal_that_holds_the_superblock_replaces_it() -> None:
    patient = Patient("ext3")
    newer = bytearray(patient.data[1024:2048])
    newer[0x78 : 0x78 + 8] = b"NEW-NAME"
    hand = HandJournal(length=256)
    hand.transaction([(1, bytes(newer))])
    hand.on_image(patient.data)
    assert patient.open().facts.label == "NEW-NAME"

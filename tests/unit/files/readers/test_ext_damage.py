"""What the reader gives when exactly one thing is damaged: everything else, and a sentence about that thing.

The places to damage are named by debugfs, so that the reader under test does not choose them itself.
"""

from __future__ import annotations

import random
import struct
from dataclasses import replace

import pytest

from mendbay.core.source import Lack
from mendbay.core.span import Span, SpanSet
from mendbay.files.readers.ext import open_ext
from mendbay.files.readers.ext_folder import BLOCK_FAILS, FOUND_IN_DAMAGE, SAME_NAME
from mendbay.files.readers.ext_inode import BAD_CHECKSUM, OLDER, UNREADABLE
from mendbay.files.readers.ext_proof import BAD_SUPERBLOCK, EMPTY, FREE_BLOCKS, FREE_INODE
from mendbay.files.readers.ext_tree import TWICE
from mendbay.files.tree import Kind, Proof
from mendbay.files.verdict import Verdict, file_outlook, file_readings, judge
from support.ext_damage import Patient, ask_debugfs, healthy
from support.ext_images import DEPTH, FOLDER_OF_MANY, MANY

MANY_PATHS = [f"/many/kiln-log-page-{number:04d}.txt" for number in range(MANY)]
GARBAGE = random.Random(1).randbytes(1 << 16)
WITH_COPIES = ("ext4-1k", "ext4-meta-groups", "ext4-two-copies", "ext3", "ext2", "ext2-2k")


def same_as_healthy(patient: Patient) -> None:
    found = patient.listing()
    assert found == healthy(patient.recipe)
    assert all(entry.proof is not Proof.NONE for entry in found.values())


@pytest.mark.parametrize("recipe", WITH_COPIES)
@pytest.mark.parametrize("harm", ["zero", "garbage", "magic", "refused"])
def test_a_lost_superblock_is_replaced_by_a_copy(recipe: str, harm: str) -> None:
    patient = Patient(recipe)
    where = Span.at(1024, 1024)
    if harm == "refused":
        patient.refuse([where])
    elif harm == "magic":
        patient.put(where.start + 0x38, b"\0\0")
    else:
        patient.fill(where, b"\0" if harm == "zero" else GARBAGE)
    same_as_healthy(patient)
    assert any("copy in group" in remark for remark in patient.open().facts.remarks)


def test_a_superblock_failing_its_checksum_without_any_copy_is_used_but_proves_nothing() -> None:
    patient = Patient("ext4")  # one group, so no copies
    patient.put(1024 + 0x78, b"X")
    found = patient.listing()
    assert set(found) == set(healthy("ext4"))
    assert all(entry.proof is Proof.NONE and BAD_SUPERBLOCK in entry.problems for entry in found.values())


def test_no_superblock_at_all_is_no_file_system() -> None:
    patient = Patient("ext4")
    patient.fill(Span.at(1024, 1024))
    assert open_ext(patient.source()) is None


@pytest.mark.parametrize("recipe", WITH_COPIES)
@pytest.mark.parametrize("harm", ["zero", "garbage", "refused"])
def test_lost_group_descriptors_are_replaced_by_copies(recipe: str, harm: str) -> None:
    patient = Patient(recipe)
    first = 2048 // patient.block_bytes  # the block behind the superblock's
    where = patient.block_span(max(first, 1))
    if harm == "refused":
        patient.refuse([where])
    else:
        patient.fill(where, b"\0" if harm == "zero" else GARBAGE)
    same_as_healthy(patient)
    assert any("block groups cannot be used where" in remark for remark in patient.open().facts.remarks)


def test_one_failing_descriptor_costs_nothing_but_a_remark() -> None:
    patient = Patient("ext4-1k")
    patient.put(2048 + 64 * 3 + 0x0C, b"\xff\xff")
    same_as_healthy(patient)
    (remark,) = patient.open().facts.remarks
    assert "1 of 8 block groups" in remark


@pytest.mark.parametrize("recipe", ["ext4", "ext4-no-checksums", "ext3"])
@pytest.mark.parametrize("harm", ["zero", "garbage"])
def test_without_the_root_everything_is_found_in_the_inode_tables(recipe: str, harm: str) -> None:
    patient = Patient(recipe)
    size = int.from_bytes(patient.data[1024 + 0x58 : 1024 + 0x5A], "little")
    root = patient.inode_at("/")
    patient.fill(Span.at(root, size), b"\0" if harm == "zero" else GARBAGE)
    named = patient.listing()
    assert list(named) == [b""]
    assert named[b""].kind is Kind.FOLDER
    assert named[b""].problems
    everything = patient.listing(nameless=True)
    was = healthy(recipe)
    assert {entry.inode for entry in everything.values()} == {entry.inode for entry in was.values()}
    many = was[FOLDER_OF_MANY].inode
    for number in range(MANY):
        entry = everything[b"inode-%d/kiln-log-page-%04d.txt" % (many, number)]
        assert entry.proof is not Proof.NONE
        assert not entry.named
    deep = b"inode-%d" % was[b"d0"].inode + b"".join(b"/d%d" % n for n in range(1, DEPTH)) + b"/bottom.txt"
    assert deep in everything


@pytest.mark.parametrize(
    ("recipe", "harm", "problem"),
    [
        ("ext4", "zero", BAD_CHECKSUM),
        ("ext4", "garbage", BAD_CHECKSUM),
        ("ext4-1k", "refused", UNREADABLE),
        ("ext4-no-checksums", "zero", EMPTY),
        ("ext3", "refused", UNREADABLE),
    ],
)
def test_sixteen_lost_inodes_keep_their_names(recipe: str, harm: str, problem: str) -> None:
    patient = Patient(recipe)
    paths = MANY_PATHS[100:116]
    places = [patient.inode_at(path) for path in paths]
    if harm == "refused":
        patient.refuse(Span.at(place, 1) for place in places)
    else:
        for place in places:
            patient.fill(Span.at(place, 256), b"\0" if harm == "zero" else GARBAGE[place % 4096 :][:256])
    found, was = patient.listing(), healthy(recipe)
    assert set(found) == set(was)
    lost = {path for path, entry in found.items() if entry != was[path]}
    # A sector that is refused takes its other inode with it; damage to one inode takes nothing.
    assert {path[1:].encode() for path in paths} <= lost
    assert len(lost) <= (16 if harm != "refused" else 64)
    fs = patient.open()
    for path in lost:
        entry = found[path]
        assert (entry.kind, entry.size_bytes, entry.proof) == (was[path].kind, 0, Proof.NONE)
        assert entry.problems == (problem,)
        assert fs.layout(entry).extents == ()


def test_one_flipped_bit_in_an_inode_leaves_the_content_but_no_proof() -> None:
    patient = Patient("ext4")
    place = patient.inode_at("/edges/269")
    patient.data[place + 0x10] ^= 1  # the time of modification
    entry = patient.listing()[b"edges/269"]
    assert entry.proof is Proof.NONE
    assert entry.problems == (BAD_CHECKSUM,)
    fs = patient.open()
    layout = fs.layout(entry)
    assert b"".join(one.data for one in file_readings(fs.source, layout)) == content("ext4", b"edges/269")
    assert judge(entry, layout, file_outlook(fs.source, layout)).verdict is Verdict.UNPROVEN


def content(recipe: str, path: bytes) -> bytes:
    fs = Patient(recipe).open()
    return b"".join(one.data for one in file_readings(fs.source, fs.layout(healthy(recipe)[path])))


@pytest.mark.parametrize("recipe", ["ext4", "ext4-no-checksums", "ext3", "ext2"])
@pytest.mark.parametrize("harm", ["zero", "garbage", "refused"])
def test_one_lost_folder_block_costs_only_its_own_names(recipe: str, harm: str) -> None:
    patient = Patient(recipe)
    blocks = [
        n for n in patient.blocks_of("/many") if b"kiln-log-page" in patient.data[slice(*bounds(patient, n))]
    ]
    where = patient.block_span(blocks[len(blocks) // 2])
    inside = bytes(patient.data[where.start : where.stop])
    gone = {path for path in healthy(recipe) if path.startswith(b"many/") and path[5:] in inside}
    assert 10 < len(gone) < MANY // 3
    if harm == "refused":
        patient.refuse([where])
    else:
        patient.fill(where, b"\0" if harm == "zero" else GARBAGE)
    found = patient.listing()
    was = healthy(recipe)
    assert set(found) == set(was) - gone
    assert [path for path in found if found[path] != was[path]] == [FOLDER_OF_MANY]
    (problem,) = found[FOLDER_OF_MANY].problems
    expected = {
        "refused": f"{patient.block_bytes} of the {was[FOLDER_OF_MANY].size_bytes} bytes",
        "zero": "1 block of this folder",
        "garbage": "1 block of this folder",
    }
    assert problem.startswith(expected[harm])
    nameless = patient.listing(nameless=True)
    assert {entry.inode for entry in nameless.values()} == {entry.inode for entry in was.values()}


def bounds(patient: Patient, number: int) -> tuple[int, int]:
    span = patient.block_span(number)
    return span.start, span.stop


@pytest.mark.parametrize("recipe", ["ext4", "ext4-no-checksums", "ext3", "ext2"])
@pytest.mark.parametrize("harm", ["zero", "garbage", "refused"])
def test_without_the_blocks_of_the_root_folder_everything_is_found_in_the_inode_tables(
    recipe: str, harm: str
) -> None:
    patient = Patient(recipe)
    for block in patient.blocks_of("/"):
        if harm == "refused":
            patient.refuse([patient.block_span(block)])
        else:
            patient.fill(patient.block_span(block), b"\0" if harm == "zero" else GARBAGE)
    named, was = patient.listing(), healthy(recipe)
    assert list(named) == [b""]
    root = named[b""]
    assert (root.kind, root.inode, root.proof) == (Kind.FOLDER, 2, Proof.NONE)
    assert len(root.problems) == 1
    everything = patient.listing(nameless=True)
    assert {entry.inode for entry in everything.values()} == {entry.inode for entry in was.values()}
    # Every folder below the root keeps the names in it; only the root's own entries become nameless.
    tops = {path: entry.inode for path, entry in was.items() if path and b"/" not in path}
    for path, entry in was.items():
        top, _, rest = path.partition(b"/")
        if rest:
            found = everything[b"inode-%d/%s" % (tops[top], rest)]
            assert not found.named
            assert found == replace(entry, path=found.path, named=False)


@pytest.mark.parametrize("recipe", ["ext4-no-checksums", "ext2"])
def test_one_name_twice_in_a_folder_is_doubted_both_times(recipe: str) -> None:
    patient = Patient(recipe)
    old, new = b"kiln-log-page-0700.txt", b"kiln-log-page-0701.txt"
    at = patient.data.find(old, min(patient.blocks_of("/many")) * patient.block_bytes)
    patient.put(at, new)
    entries = [entry for entry in patient.open().walk() if entry.path == b"many/" + new]
    was = healthy(recipe)
    assert {entry.inode for entry in entries} == {was[b"many/" + name].inode for name in (old, new)}
    assert [(entry.proof, entry.problems) for entry in entries] == [(Proof.NONE, (SAME_NAME,))] * 2


@pytest.mark.parametrize("recipe", ["ext4", "ext4-no-checksums", "ext2"])
@pytest.mark.parametrize("length", [0, 3, 7, 0xFFF0])
def test_a_damaged_entry_length_costs_no_name(recipe: str, length: int) -> None:
    patient = Patient(recipe)
    name = b"kiln-log-page-0700.txt"
    at = patient.data.find(name, min(patient.blocks_of("/many")) * patient.block_bytes) - 8
    patient.put(at + 4, struct.pack("<H", length))
    found = patient.listing()
    assert set(found) == set(healthy(recipe))
    touched = {path for path in found if found[path] != healthy(recipe)[path]}
    assert {b"many/" + name, FOLDER_OF_MANY} <= touched
    doubt = BLOCK_FAILS if recipe == "ext4" else FOUND_IN_DAMAGE
    assert found[b"many/" + name].problems == (doubt,)
    assert found[b"many/" + name].proof is Proof.NONE


def test_a_folder_that_leads_back_to_the_root_is_not_entered_again() -> None:
    patient = Patient("ext4-no-checksums")
    name = b"empty-folder"
    at = patient.data.find(struct.pack("<BB", len(name), 2) + name) - 6
    patient.put(at, struct.pack("<I", 2))
    found = patient.listing()
    assert set(found) == set(healthy("ext4-no-checksums"))
    assert TWICE in found[name].problems


@pytest.mark.parametrize("recipe", ["ext4", "ext4-no-checksums"])
def test_a_garbage_leaf_of_a_map_is_a_hole_in_that_file_only(recipe: str) -> None:
    patient = Patient(recipe)
    leaf = map_blocks(recipe, "/sparse/0")[0]
    patient.fill(patient.block_span(leaf), GARBAGE)
    found, was = patient.listing(), healthy(recipe)
    assert [path for path in found if found[path] != was[path]] == [b"sparse/0"]
    entry = found[b"sparse/0"]
    assert entry.proof is Proof.NONE
    assert f"block {leaf} of its map is damaged" in entry.problems
    fs = patient.open()
    layout = fs.layout(entry)
    assert layout.size_bytes == was[b"sparse/0"].size_bytes
    assert not layout.extents
    assert layout.unmapped.total_bytes > 0
    judged = judge(entry, layout, file_outlook(fs.source, layout))
    assert judged.verdict is Verdict.LOST
    assert {gap.why for gap in judged.gaps} == {Lack.ABSENT}


def map_blocks(recipe: str, path: str) -> list[int]:
    """The blocks of a file's extent tree, by debugfs."""
    lines = ask_debugfs(recipe, f"ex -n {path}").splitlines()
    assert lines, path
    return [int(line.split()[7].split("-")[0]) for line in lines[1:]]


def test_an_extent_node_that_points_to_itself_ends() -> None:
    patient = Patient("ext4-no-checksums")
    (leaf, *_) = map_blocks("ext4-no-checksums", "/sparse/1")
    at = patient.block_span(leaf).start
    place = patient.inode_at("/sparse/1")
    patient.put(place + 0x28 + 6, struct.pack("<H", 5))  # the inode says: five levels below
    for depth in (4, 3):
        patient.put(at, struct.pack("<HHHHI", 0xF30A, 1, 84, depth, 0) + struct.pack("<IIHH", 0, leaf, 0, 0))
        entry = patient.listing()[b"sparse/1"]
        assert entry.proof is Proof.NONE
        assert any("map" in problem for problem in entry.problems)
        assert not patient.open().layout(entry).extents


@pytest.mark.parametrize("recipe", ["ext4", "ext4-no-checksums", "ext3"])
def test_a_size_of_two_to_the_fifty_is_not_believed(recipe: str) -> None:
    patient = Patient(recipe)
    place = patient.inode_at("/edges/13")
    patient.put(place + 0x6C, struct.pack("<I", 1 << 18))
    entry = patient.listing()[b"edges/13"]
    assert entry.proof is Proof.NONE
    assert 13 * 1024 <= entry.size_bytes <= 16 * 1024
    assert any(str((1 << 50) + 13 * 1024) in problem for problem in entry.problems)
    fs = patient.open()
    layout = fs.layout(entry)
    assert layout.size_bytes == entry.size_bytes
    read = b"".join(one.data for one in file_readings(fs.source, layout))
    assert read[: 13 * 1024] == content(recipe, b"edges/13")


def test_an_extent_beyond_the_end_is_a_hole() -> None:
    patient = Patient("ext4-no-checksums")
    place = patient.inode_at("/edges/269")
    patient.put(place + 0x28 + 12 + 8, struct.pack("<I", 1 << 30))
    entry = patient.listing()[b"edges/269"]
    assert "its map leads out of the file system" in entry.problems
    fs = patient.open()
    layout = fs.layout(entry)
    first = struct.unpack_from("<H", patient.data, place + 0x28 + 12 + 4)[0] * patient.block_bytes
    assert layout.unmapped == SpanSet([Span(0, min(first, layout.size_bytes))])


def test_an_indirect_block_that_leads_to_itself_ends() -> None:
    patient = Patient("ext3")
    place = patient.inode_at("/edges/525")
    (double,) = struct.unpack_from("<I", patient.data, place + 0x28 + 13 * 4)
    patient.put(double * patient.block_bytes, struct.pack("<I", double))
    entry = patient.listing()[b"edges/525"]
    assert "its map leads to the same block twice" in entry.problems
    fs = patient.open()
    layout = fs.layout(entry)
    assert layout.unmapped == SpanSet([Span(268 * 1024, 524 * 1024)])
    assert layout.size_bytes == 525 * 1024


@pytest.mark.parametrize("recipe", ["ext3", "ext4-no-checksums"])
def test_a_file_whose_blocks_are_marked_free_is_not_proven(recipe: str) -> None:
    patient = Patient(recipe)
    block = patient.blocks_of("/edges/13")[0]
    first = int(patient.block_bytes == 1024)
    group, index = divmod(block - first, patient.block_bytes * 8)
    table = 2048 if patient.block_bytes == 1024 else patient.block_bytes
    size = 32 if recipe == "ext3" else 64
    (bitmap,) = struct.unpack_from("<I", patient.data, table + group * size)
    patient.data[bitmap * patient.block_bytes + index // 8] &= 255 - (1 << index % 8)
    found, was = patient.listing(), healthy(recipe)
    assert [path for path in found if found[path] != was[path]] == [b"edges/13"]
    assert found[b"edges/13"].problems == (FREE_BLOCKS,)


def test_an_inode_marked_free_is_not_proven() -> None:
    patient = Patient("ext2")
    (per_group,) = struct.unpack_from("<I", patient.data, 1024 + 0x28)
    group, index = divmod(healthy("ext2")[b"pipe"].inode - 1, per_group)
    (bitmap,) = struct.unpack_from("<I", patient.data, 2048 + group * 32 + 4)
    patient.data[bitmap * 1024 + index // 8] &= 255 - (1 << index % 8)
    entry = patient.listing()[b"pipe"]
    assert (entry.proof, entry.problems) == (Proof.NONE, (FREE_INODE,))


def test_a_wrong_count_of_blocks_is_not_proven() -> None:
    patient = Patient("ext3")
    place = patient.inode_at("/edges/13")
    patient.put(place + 0x1C, struct.pack("<I", 999))
    entry = patient.listing()[b"edges/13"]
    (problem,) = entry.problems
    assert str(999 * 512) in problem
    assert str(14 * 1024) in problem


def test_what_comes_from_the_half_that_fell_behind_is_said() -> None:
    patient = Patient("ext4")
    inode = patient.inode_at("/edges/12")
    leaf = map_blocks("ext4", "/sparse/2")[0]
    folder = patient.blocks_of("/sizes")[0]
    patient.older = SpanSet([Span.at(inode, 256), patient.block_span(leaf), patient.block_span(folder)])
    found, was = patient.listing(), healthy("ext4")
    assert set(found) == set(was)
    changed = {path for path in found if found[path] != was[path]}
    assert changed == {b"edges/12", b"sparse/2", b"sizes"} | {
        path for path in was if path.startswith(b"sizes/")
    }
    assert found[b"edges/12"].problems == (OLDER,)
    assert found[b"sparse/2"].problems == (OLDER,)
    assert all("fell behind" in found[path].problems[0] for path in changed)
    assert all(found[path].proof is Proof.NONE for path in changed)


def test_counts_in_descriptors_from_the_half_that_fell_behind_hide_no_inode() -> None:
    patient = Patient("ext4-1k")
    sound = patient.open().metadata()
    patient.older = SpanSet([patient.block_span(2)])
    assert sound.total_bytes < patient.open().metadata().total_bytes
    assert patient.listing(nameless=True) == healthy("ext4-1k")


@pytest.mark.parametrize("recipe", ["ext4-1k", "ext3"])
def test_a_volume_cut_short_still_gives_what_is_on_it(recipe: str) -> None:
    patient = Patient(recipe)
    del patient.data[40 << 20 :]
    fs = patient.open()
    assert any("ends before" in remark for remark in fs.facts.remarks)
    found, was = patient.listing(), healthy(recipe)
    assert found[b""].inode == 2
    assert {path for path in found if found[path] == was[path]} >= {b"link-1", FOLDER_OF_MANY}
    whole = [
        path
        for path, entry in found.items()
        if entry.kind is Kind.FILE and verdict(fs, entry) is Verdict.WHOLE
    ]
    assert len(whole) > MANY // 2


def verdict(fs, entry):  # type: ignore[no-untyped-def]
    layout = fs.layout(entry)
    return judge(entry, layout, file_outlook(fs.source, layout)).verdict

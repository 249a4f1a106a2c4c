"""The made boxes against programs that know nothing of Mendbay: util-linux and e2fsprogs."""

import hashlib
import itertools
import subprocess
from collections import Counter

import pytest

from mendbay.core.errors import DestinationError
from mendbay.files.tree import Kind
from mendbay.files.verdict import Verdict
from mendbay.outlets.scenario import story
from mendbay.outlets.scenario.content import KILN_LOG
from mendbay.outlets.scenario.demo import make_scenario
from mendbay.outlets.scenario.geometry import Level
from mendbay.outlets.scenario.small import make_small_scenario
from support.boxes import small_base, tool_or_skip, volume_byte_by_drive

PARTITION_AT = 1 << 20
DATA_AT = 3 << 20

pytestmark = pytest.mark.slow


@pytest.fixture(scope="module")
def demo(tmp_path_factory):
    tool_or_skip("mke2fs", "e2fsprogs")
    told = []
    folder = tmp_path_factory.mktemp("demo") / "box"
    box = make_scenario(folder, 3, lambda what, share: told.append(share), keep_origin=True)
    assert told == sorted(told)
    assert told[-1] == 1.0
    return box


@pytest.fixture(scope="module")
def base(tmp_path_factory):
    return small_base(tmp_path_factory.mktemp("base"))


def run(package, name, *arguments):
    done = subprocess.run([tool_or_skip(name, package), *arguments], capture_output=True, check=False)
    return done.returncode, done.stdout, done.stderr


def identified(image, *arguments):
    code, out, err = run("util-linux", "blkid", "-p", "-o", "export", *arguments, str(image))
    assert code == 0, err
    return dict(line.split("=", 1) for line in out.decode().splitlines() if "=" in line)


@pytest.mark.parametrize("bay", [0, 1])
def test_a_member_is_recognised(demo, bay):
    table = identified(demo.images[bay])
    assert table["PTTYPE"] == "gpt"
    member = identified(demo.images[bay], "-O", str(PARTITION_AT))
    assert (member["TYPE"], member["VERSION"]) == ("linux_raid_member", "1.2")
    assert member["LABEL"] == story.ARRAY_NAME
    volume = identified(demo.images[bay], "-O", str(DATA_AT), "-S", str(demo.geometry.volume_bytes))
    assert (volume["TYPE"], volume["LABEL"]) == ("ext4", story.VOLUME_LABEL)


def test_both_members_are_of_one_set_and_each_its_own_drive(demo):
    first, second = (identified(image, "-O", str(PARTITION_AT)) for image in demo.images)
    assert first["UUID"] == second["UUID"]
    assert first["UUID_SUB"] != second["UUID_SUB"]
    assert len({identified(image)["PTUUID"] for image in demo.images}) == 2


@pytest.mark.parametrize("bay", [0, 1])
def test_the_file_system_checks_clean(demo, bay):
    code, out, err = run("e2fsprogs", "e2fsck", "-fn", str(demo.volumes[bay]))
    assert code == 0, out + err


@pytest.mark.parametrize("bay", [0, 1])
def test_the_superblock_says_what_was_asked_for(demo, bay):
    code, out, err = run("e2fsprogs", "dumpe2fs", "-h", str(demo.volumes[bay]))
    assert code == 0, err
    said = dict(line.split(":", 1) for line in out.decode().splitlines() if ":" in line)
    assert said["Filesystem state"].strip() == "clean"
    assert {"metadata_csum", "64bit", "extent", "has_journal"} <= set(said["Filesystem features"].split())
    assert "needs_recovery" not in said["Filesystem features"]
    assert int(said["Block count"]) * int(said["Block size"]) == demo.geometry.volume_bytes


@pytest.mark.parametrize("bay", [0, 1])
def test_every_file_on_the_member_is_the_true_one(demo, bay, tmp_path):
    """Bay 1 holds the newest state, bay 2 the older one; read through the member image itself."""
    check_files(
        f"{demo.images[bay]}?offset={DATA_AT}", demo.truth, "newest" if bay == 0 else "older", tmp_path
    )


@pytest.mark.parametrize("state", ["newest", "older"])
def test_every_file_of_a_small_volume_is_the_true_one(base, state, tmp_path):
    box = make_small_scenario(tmp_path / "box", 1, base=base)
    check_files(str(box.volumes[0 if state == "newest" else 1]), box.truth, state, tmp_path)
    for image in box.volumes:
        code, out, err = run("e2fsprogs", "e2fsck", "-fn", str(image))
        assert code == 0, out + err


def test_a_stripe_put_together_by_definition_is_the_volume(base, tmp_path):
    box = make_small_scenario(tmp_path, 1, base=base, level=Level.STRIPE, parted=False)
    volume = bytearray(box.geometry.volume_bytes)
    for bay, image in enumerate(box.images):
        drive = image.read_bytes()
        for at in range(DATA_AT, DATA_AT + box.geometry.data_bytes, 4096):
            where = volume_byte_by_drive(box, bay, at)
            volume[where : where + 4096] = drive[at : at + 4096]
    assert volume == box.volumes[0].read_bytes()
    assert identified(box.images[1], "-O", str(PARTITION_AT))["TYPE"] == "linux_raid_member"


def check_files(image, truth, state, folder):
    """Dumps every file by its path (by its inode where a path cannot be said) and compares digests."""
    wanted = {path: getattr(one, state) for path, one in truth.items() if getattr(one, state)}
    script, places = [], {}
    for number, path in enumerate(wanted):
        places[path] = folder / f"out{number}"
        name = b'"/' + path.replace(b'"', b'""') + b'"'
        if b"\n" in path:
            name = b"<%d>" % only_entry(image, path.rpartition(b"/")[0])
        script.append(b"dump " + name + b' "' + str(places[path]).encode() + b'"')
        script.append(b"stat " + name)
    commands = folder / "commands"
    commands.write_bytes(b"\n".join(script) + b"\n")
    code, out, err = run("e2fsprogs", "debugfs", "-f", str(commands), image)
    assert code == 0
    assert err.count(b"\n") == 1, err  # its banner and nothing else
    stats = [part for part in out.split(b"debugfs: ") if part.startswith(b"stat ")]
    for (path, known), stat in zip(wanted.items(), stats, strict=True):
        content = places[path].read_bytes()
        assert len(content) == known.size_bytes, path
        assert hashlib.sha256(content).hexdigest() == known.sha256, path
        for which in (b" ctime", b" mtime"):
            assert which + b": 0x%08x" % known.modified_at in stat, path
    assert len(wanted) > 20


def only_entry(image, folder):
    _, out, _ = run("e2fsprogs", "debugfs", "-R", f'ls -p "/{folder.decode()}"', image)
    (number,) = [
        row.split(b"/")[1] for row in out.split(b"\n") if row.startswith(b"/") and b"/100644/" in row
    ]
    return int(number)


def test_links_are_stored_as_planned(demo):
    links = {path: one.target for path, one in demo.truth.items() if one.kind is Kind.LINK}
    assert b"/etc/passwd" in links.values()
    for path, target in links.items():
        _, out, _ = run("e2fsprogs", "debugfs", "-R", f'stat "/{path.decode()}"', str(demo.volumes[0]))
        assert b'Fast link dest: "' + target + b'"' in out


def test_the_story_of_the_demo_holds(demo):
    """What the play of the demo promises: most photographs whole with bay 2's help, one holed, the newest
    kiln log unproven, one later photograph unproven, everything else whole."""
    fates = {path: one.fate for path, one in demo.truth.items() if one.fate}
    assert all(fate.verdict is not None for fate in fates.values())
    count = Counter(fate.verdict for fate in fates.values())
    assert (count[Verdict.HOLED], count[Verdict.UNPROVEN], count[Verdict.LOST]) == (1, 2, 0)
    (holed,) = [path for path, fate in fates.items() if fate.verdict is Verdict.HOLED]
    assert holed.startswith(b"Photographs/Glaze tests/")
    assert fates[holed].missing.total_bytes == 512
    unproven = [path for path, fate in fates.items() if fate.verdict is Verdict.UNPROVEN]
    assert KILN_LOG in unproven
    helped = [path for path, fate in fates.items() if fate.other_half and fate.verdict is Verdict.WHOLE]
    assert sum(path.endswith(b".jpg") for path in helped) >= 6


def test_bay_2_really_holds_other_bytes_where_the_newest_files_are_unproven(demo):
    """Otherwise the warning would be idle. Found by the files' own bytes, which lie together on bay 1."""
    for path, truth in demo.truth.items():
        if truth.fate is None or truth.fate.verdict is not Verdict.UNPROVEN:
            continue
        name = f'"/{path.decode()}"'
        _, out, _ = run("e2fsprogs", "debugfs", "-R", f"blocks {name}", str(demo.volumes[0]))
        blocks = [int(word) for word in out.split()]
        (span,) = truth.fate.older
        at = DATA_AT + blocks[span.start // 4096] * 4096 + span.start % 4096
        there = []
        for image in demo.images:
            with image.open("rb") as file:
                file.seek(at)
                there.append(file.read(span.length))
        assert there[0] != there[1]


def test_the_damage_is_quick_to_meet(demo):
    """Refusals cost seconds each on a real drive: a few hundred at most, in few places."""
    for faults in demo.faults:
        assert 20 * 512 <= faults.refused.total_bytes < 200 * 512
        assert sum(one.count * one.refuses for one in faults.weak) < 150
    scratch = [span.start for span in demo.faults[1].refused if span.length > 512]
    gaps = {(b - a) // 512 for a, b in itertools.pairwise(scratch)}
    assert len([gap for gap in gaps if 1240 < gap < 1266]) >= 3


def test_members_are_sparse_and_of_one_size(demo):
    for image in demo.images:
        assert image.stat().st_size == demo.geometry.drive_bytes
        assert 256 << 20 < image.stat().st_size < 320 << 20
        assert image.stat().st_blocks * 512 < 0.6 * image.stat().st_size


def test_a_folder_that_holds_a_demo_is_left_alone(demo):
    with pytest.raises(DestinationError, match="already holds"):
        make_scenario(demo.images[0].parent, 3)

"""The plan of an erasure, what speaks against it, and what its certificate says."""

from __future__ import annotations

import ast
import json
import re
from dataclasses import replace
from pathlib import Path

import pytest
from hypothesis import given
from hypothesis import strategies as st

from mendbay.core.errors import ErasureRefused, UsageError
from mendbay.handback import erasure
from mendbay.handback.erasure import (
    FOLDERS,
    SAMPLE_BYTES,
    SAMPLED_FROM_BYTES,
    SAMPLES,
    ErasurePlan,
    PlannedFile,
    PlannedRoot,
    Proof,
    Sort,
    sample_starts,
    sort_of,
)
from mendbay.handback.erasure_certificate import Done, certify
from mendbay.handback.erasure_check import ClearedPlan, Seen, Situation, clear, require_cleared
from mendbay.handback.erasure_limits import Device, Medium, Reach, limits

IMAGE = PlannedFile("", "bay-1.img", Sort.IMAGES, 4096, 4096, 5, 77, 10, 11, "sha256:" + "a" * 64)
COPY = PlannedFile("/shop/back", "data/x", Sort.HAND_BACK, 10, 10, 5, 78, 10, 11, "sha256:" + "b" * 64)
ROOTS = (PlannedRoot("", 5, 1, 99), PlannedRoot("/shop/back", 5, 2, 99))
DISK = Medium(("", "/shop/back"), "ext4", ("rw",), (Device("sda", "TARN", "S1", 10**12, True),))
PLAN = ErasurePlan(
    name="1",
    case=7,
    made_at="2026-12-01T10:00:00Z",
    made_by="the bench",
    sorts=(Sort.IMAGES, Sort.HAND_BACK),
    roots=ROOTS,
    files=(IMAGE, COPY),
    keep_until="2026-11-30",
    reason="",
    proof=Proof("/medium/back", 3, 100, "c" * 64, elsewhere=True),
    media=(DISK,),
)


def seen(file: PlannedFile, **changes: object) -> Seen:
    made = Seen(
        file.root,
        file.path,
        "file",
        file.size_bytes,
        file.stored_bytes,
        file.device,
        file.inode,
        file.modified_ns,
        file.changed_ns,
    )
    return replace(made, **changes)  # type: ignore[arg-type]


def now(*found: Seen, **changes: object) -> Situation:
    made = Situation(
        today="2026-12-01",
        keep_until="2026-11-30",
        shop_device=5,
        roots={one.root: one for one in ROOTS},
        seen={one.place: one for one in found or (seen(IMAGE), seen(COPY))},
    )
    return replace(made, **changes)  # type: ignore[arg-type]


def refused(plan: ErasurePlan, situation: Situation) -> str:
    with pytest.raises(ErasureRefused) as caught:
        clear(plan, situation)
    assert "A customer's own drive is never erased" in caught.value.what
    return caught.value.what


def test_a_plan_comes_back_from_its_text_word_for_word() -> None:
    assert ErasurePlan.from_json(PLAN.to_json()) == PLAN


@given(st.data())
def test_no_byte_of_a_plan_can_be_changed_unseen(data: st.DataObject) -> None:
    text = PLAN.to_json()
    at = data.draw(st.integers(0, len(text) - 1))
    other = data.draw(st.characters(min_codepoint=32, max_codepoint=126).filter(lambda one: one != text[at]))
    with pytest.raises(UsageError):
        ErasurePlan.from_json(text[:at] + other + text[at + 1 :])


@given(
    st.recursive(
        st.none() | st.booleans() | st.integers() | st.text(),
        lambda one: st.lists(one) | st.dictionaries(st.text(), one),
    )
)
def test_any_other_text_is_refused(body: object) -> None:
    with pytest.raises(UsageError):
        ErasurePlan.from_json(json.dumps(body))
    with pytest.raises(UsageError):
        ErasurePlan.from_json(json.dumps({**json.loads(PLAN.to_json()), "files": body, "seal": "0" * 64}))


def test_a_sound_plan_is_cleared_and_nothing_else_passes() -> None:
    cleared = clear(PLAN, now())
    assert require_cleared(cleared) == PLAN
    with pytest.raises(TypeError):
        ClearedPlan(PLAN, object())
    for other in (PLAN, replace(cleared), None):
        with pytest.raises(ErasureRefused):
            require_cleared(other)


@pytest.mark.parametrize(
    ("changes", "said"),
    [
        ({"kind": "link"}, "is a link, no plain file"),
        ({"kind": "block device"}, "is a block device"),
        ({"kind": "character device"}, "is a character device"),
        ({"kind": "pipe"}, "is a pipe"),
        ({"links": 2}, "has 2 names"),
        ({"device": 6}, "on another file system than its folder"),
        ({"is_source": True}, "a drive of a case was read from"),
        ({"uses": ("another program holds it locked",)}, "in use: another program holds it locked"),
        ({"inode": 79}, "changed or replaced"),
        ({"size_bytes": 4097}, "changed or replaced"),
        ({"modified_ns": 12}, "changed or replaced"),
        ({"changed_ns": 12}, "changed or replaced"),
        ({"digest": "sha256:" + "f" * 64}, "changed or replaced"),
        ({"kind": ""}, "is not there"),
    ],
)
def test_a_file_that_may_not_go(changes: dict[str, object], said: str) -> None:
    assert said in refused(PLAN, now(seen(IMAGE, **changes), seen(COPY)))


@pytest.mark.parametrize(
    ("changes", "said"),
    [
        ({"keep_until": "2026-12-01"}, "kept until 2026-12-01"),
        ({"keep_until": ""}, "No day is put down"),
        ({"roots": {"": ROOTS[0]}}, "/shop/back is not there"),
        (
            {"roots": {"": ROOTS[0], "/shop/back": replace(ROOTS[1], inode=3)}},
            "not the folder that was planned",
        ),
        ({"roots": {"": ROOTS[0], "/shop/back": replace(ROOTS[1], device=6)}}, "may be the customer's own"),
        ({"seen": {}}, "bay-1.img is not there. data/x is not there"),
    ],
)
def test_a_moment_that_is_not_right(changes: dict[str, object], said: str) -> None:
    assert said in refused(PLAN, now(**changes))


@pytest.mark.parametrize(
    ("changes", "said"),
    [
        ({"files": ()}, "names no file"),
        ({"files": (IMAGE, IMAGE)}, "names a file twice"),
        ({"files": (replace(IMAGE, path="../0002-x/bay-1.img"),)}, "leads out of its folder"),
        ({"files": (replace(IMAGE, path="/dev/sda"),)}, "leads out of its folder"),
        ({"files": (replace(IMAGE, path="bay-1.coverage"),)}, "nothing that is erased as images"),
        ({"files": (replace(IMAGE, root="/dev"),)}, "a folder that the plan does not name"),
        ({"proof": Proof()}, "Nothing says that the customer has the files"),
        ({"proof": Proof("/shop/else", 3, 100, "c" * 64)}, "Nothing says that the customer has the files"),
        (
            {"proof": Proof("/shop/back", 3, 9, "c" * 64, elsewhere=True)},
            "Nothing says that the customer has",
        ),
    ],
)
def test_a_plan_that_is_not_right(changes: dict[str, object], said: str) -> None:
    assert said in refused(replace(PLAN, **changes), now())  # type: ignore[arg-type]


def test_a_reason_lets_copies_go_before_their_day_and_a_word_stands_for_the_proof() -> None:
    early = replace(PLAN, reason="asked for", proof=Proof(word="nothing could be read"))
    handed = Proof("/shop/back", 3, 100, "c" * 64, handed_over="0007-02 (medium), hand-over 1")
    clear(replace(PLAN, proof=handed), now())
    clear(early, now(keep_until="2027-01-01"))


def test_after_a_restart_a_device_may_have_another_number() -> None:
    moved = {one.root: replace(one, device=9) for one in ROOTS}
    clear(PLAN, now(seen(IMAGE, device=9), seen(COPY, device=9), roots=moved, shop_device=9))
    alien = {one.root: replace(one, device=9, system=1) for one in ROOTS}
    assert "not the folder" in refused(PLAN, now(seen(IMAGE, device=9), roots=alien, shop_device=9))


def test_what_was_begun_need_not_look_as_planned() -> None:
    clear(PLAN, now(seen(COPY), begun=frozenset({("", "bay-1.img")})))
    only_case = now(seen(IMAGE), roots={"": ROOTS[0]}, begun=frozenset({("/shop/back", "data/x")}))
    clear(PLAN, only_case)


def test_every_reason_is_told_at_once() -> None:
    told = refused(replace(PLAN, proof=Proof()), now(seen(IMAGE, links=2), seen(COPY, kind="pipe")))
    assert told.startswith("The erasure is refused for 3 reasons")


def test_what_is_never_erased() -> None:
    kept = (
        "bay-1.coverage",
        "erasures/plan-1.json",
        "roms/transfer-1.journal",
        "roms/bay-1/certificate-1.json",
        "x.img",
    )
    assert [sort_of(one) for one in kept] == [None] * len(kept)
    assert sort_of("bay-1.img") is Sort.IMAGES
    assert sort_of("roms/bay-1/patient-1/read-1.bin") is Sort.DUMPS
    assert (sort_of("photos/bay-1/a.png"), sort_of("papers/q.pdf")) == (Sort.PICTURES, Sort.PAPERS)
    assert sort_of("pictures/as-it-came.jpg") is Sort.PICTURES
    left = "erased-0123456789abcdef"
    assert (sort_of(left), sort_of(f"roms/bay-1/{left}")) == (Sort.IMAGES, Sort.DUMPS)
    assert sort_of("erased-by-hand") is None
    assert sort_of(f"erasures/{left}") is None


def test_every_folder_that_jobs_keep_files_in_has_a_ruling() -> None:
    """Whatever `files.keep` is given begins with the name of such a folder, there or where it is made."""
    found: dict[str, str] = {}
    jobs = Path(erasure.__file__).parents[1] / "jobs"
    for source in sorted(jobs.glob("*.py")):
        tree = ast.parse(source.read_text())
        keeps = [
            one
            for one in ast.walk(tree)
            if isinstance(one, ast.Call) and ast.unparse(one.func).endswith("files.keep")
        ]
        if keeps:
            texts = [one.value for one in ast.walk(tree) if isinstance(one, ast.Constant)]
            tops = {str(one).split("/")[0] for one in texts if re.match(r"[a-z]+/(?! )", str(one))}
            found |= dict.fromkeys(tops, source.name)
            told = {ast.unparse(one.args[1]).lstrip("f'").split("/")[0] for one in keeps}
            assert tops or told <= {"{folder}"}, f"{source.name} keeps files in {told}"
    assert set(found) == set(FOLDERS)


@given(st.integers(SAMPLED_FROM_BYTES, 1 << 46))
def test_samples_cover_both_ends_and_stay_inside(size: int) -> None:
    starts = sample_starts(size)
    assert starts[0] == 0
    assert starts[-1] + SAMPLE_BYTES == size
    assert len(starts) == SAMPLES
    assert list(starts) == sorted(set(starts))


def reach(medium: Medium) -> dict[str, Reach]:
    return {one.what: one.reach for one in limits(medium)}


def test_what_overwriting_cannot_reach_depends_on_the_medium() -> None:
    turning = reach(DISK)
    assert turning["wear levelling of flash memory"] is Reach.NOT_HERE
    assert turning["earlier blocks of the files"] is Reach.POSSIBLE
    assert turning["snapshots"] is Reach.NOT_HERE
    flash = reach(replace(DISK, devices=(Device("sdb", rotational=False), Device("sda", rotational=True))))
    assert flash["wear levelling of flash memory"] is Reach.APPLIES
    for kind in ("btrfs", "zfs", "f2fs"):
        assert reach(replace(DISK, file_system=kind))["earlier blocks of the files"] is Reach.APPLIES
        assert reach(replace(DISK, file_system=kind))["snapshots"] is Reach.POSSIBLE
    assert reach(replace(DISK, options=("data=journal",)))["the file system's journal"] is Reach.APPLIES
    assert reach(replace(DISK, between=("mapping",)))["snapshots"] is Reach.POSSIBLE
    for unknown in (
        replace(DISK, between=("virtual machine",)),
        replace(DISK, between=("loop device",)),
        replace(DISK, devices=()),
        replace(DISK, devices=(Device("sda"),)),
    ):
        assert reach(unknown)["snapshots"] is Reach.POSSIBLE
    journal = next(one for one in limits(DISK) if one.what == "the file system's journal")
    assert journal.reach is Reach.POSSIBLE
    assert "no content" not in journal.words  # the superblock, or a file's own attribute, may ask for it
    assert "what lies below" not in turning
    for strange in (
        replace(DISK, file_system="nfs4"),
        replace(DISK, devices=()),
        replace(DISK, file_system="overlay"),
    ):
        assert reach(strange)["what lies below"] is Reach.POSSIBLE


@given(
    st.sampled_from(["", "ext4", "xfs", "btrfs", "nfs4", "overlay", "tmpfs", "neverheardof"]), st.booleans()
)
def test_no_medium_is_said_to_be_reached_in_full(kind: str, has_disk: bool) -> None:
    found = reach(replace(DISK, file_system=kind, devices=DISK.devices if has_disk else ()))
    assert found["sectors set aside"] is Reach.POSSIBLE
    assert found["names and places"] is Reach.APPLIES
    assert found["other copies"] is Reach.POSSIBLE


def certified(done: Done, left_because: str = "") -> dict[str, object]:
    made = certify(
        PLAN,
        done,
        PLAN.media,
        performed_by="the bench",
        place="",
        tool="t",
        kept=(),
        left_because=left_because,
    )
    return dict(json.loads(made.to_json()))


def test_a_certificate_claims_what_was_erased_and_names_no_file_of_the_customer() -> None:
    told = certified(Done("a", "b", 4106, (0, 1)))
    assert [one["path"] for one in told["files"]] == ["bay-1.img"]  # type: ignore[attr-defined, index]
    assert told["sorts"] == [["images", 1, 4096], ["hand-back", 1, 10]]
    assert "data/x" not in json.dumps(told)
    assert "no sanitization of the medium" in str(told["method"])
    media = told["media"]
    assert media[0]["not_reached"][0]["what"] == "earlier blocks of the files"  # type: ignore[index]


def test_a_certificate_of_less_says_what_was_left_and_why() -> None:
    told = certified(Done("a", "b", 10, (1,), ((0, "It was not touched."),)), "the disk is failing")
    assert told["left"] == [["bay-1.img", "It was not touched."]]
    assert told["files"] == []
    assert told["sorts"] == [["hand-back", 1, 10]]


@pytest.mark.parametrize(
    ("done", "because"),
    [
        (Done("a", "b", 0, (0,)), ""),
        (Done("a", "b", 0, (0, 1, 1)), ""),
        (Done("a", "b", 0, (0,), ((1, "why"),)), ""),
        (Done("a", "b", 0, (0, 1), ((1, "why"),)), "x"),
    ],
)
def test_nothing_is_certified_unless_every_file_is_accounted_for_once(done: Done, because: str) -> None:
    with pytest.raises(ValueError, match="accounted for"):
        certified(done, because)

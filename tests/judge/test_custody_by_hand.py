"""An exported custody log is checked by someone who has nothing but the document and two standard tools.

The judges are `sha256sum` (GNU coreutils; FIPS 180-4) and `sed` (POSIX), run as the shell commands in
docs/formats/custody.md stand there. The log comes from a bench at work, not from the code under test alone.
"""

from __future__ import annotations

import re
import shutil
import subprocess
from pathlib import Path

import pytest

from mendbay.case.custody import Head
from mendbay.case.hand_over import Role
from mendbay.case.items import What
from mendbay.case.records import Bay
from mendbay.core.errors import MendbayError
from mendbay.jobs.check_custody import check_exported, exported_custody
from mendbay.jobs.hand_over_items import keep_signed, receive, release
from mendbay.jobs.keep_items import add_item
from mendbay.jobs.take_in import take_in
from mendbay.wiring import open_bench

DOCUMENT = Path(__file__).parents[2] / "docs" / "formats" / "custody.md"
MISSING = [one for one in ("sh", "sha256sum", "sed", "tr", "cut") if shutil.which(one) is None]

pytestmark = pytest.mark.skipif(
    bool(MISSING),
    reason=f"NOT CHECKED by hand: no {', '.join(MISSING)} (Debian packages coreutils, sed, dash)",
)


@pytest.fixture(scope="module")
def exported(tmp_path_factory: pytest.TempPathFactory) -> bytes:
    """The log of a case in which things came, went, and were signed for."""
    folder = tmp_path_factory.mktemp("shop")
    with open_bench(folder / "home") as bench:
        box = 'two-bay box, "Tarn", does not start (\\ scratched)'
        take_in(bench, "Quillmere Pottery", box=box, bays=[Bay(0, "1", "AL20-HX4", "QM-1"), Bay(0, "2")])
        add_item(bench, 1, What.ADAPTER, marks='12 V "3 A", grün 🏺', condition='"hash":"' + "0" * 64 + '",')
        over = receive(bench, 1, ["1", "2", "3"], person="A. Potter", words="Read both.").done
        scan = folder / "scan.png"
        scan.write_bytes(b"%PDF-a signed paper")
        keep_signed(bench, 1, over.number, scan)
        release(bench, 1, ["1"], Role.LAB)
        return exported_custody(bench, 1)


def by_hand(folder: Path, log: bytes) -> subprocess.CompletedProcess[str]:
    (folder / "custody.jsonl").write_bytes(log)
    (script,) = re.findall(r"```sh\n(.*?)```", DOCUMENT.read_text(encoding="utf-8"), re.DOTALL)
    return subprocess.run(["sh", "-c", script], cwd=folder, capture_output=True, text=True, check=False)


def test_a_sound_log_holds_and_both_name_the_same_head(exported: bytes, tmp_path: Path) -> None:
    done = by_hand(tmp_path, exported)
    assert done.returncode == 0, done.stdout
    check = check_exported(exported)
    assert check.head is not None
    assert Head.parse(done.stdout) == check.head
    assert (check.holds, check.entries) == (True, 7)
    assert check_exported(exported, done.stdout).anchored


def test_whatever_is_wrong_by_hand_is_wrong_for_us_too(exported: bytes, tmp_path: Path) -> None:
    lines = exported.splitlines(keepends=True)
    tampered = {
        "edited": [*lines[:3], lines[3].replace(b'"what":"', b'"what":"not '), *lines[4:]],
        "dropped": [*lines[:2], *lines[3:]],
        "first dropped": lines[1:],
        "reordered": [lines[0], lines[2], lines[1], *lines[3:]],
        "inserted": [*lines[:4], lines[1], *lines[4:]],
        "renumbered": [lines[0].replace(b'"sequence":1', b'"sequence":7'), *lines[1:]],
        "broken off": [*lines[:5], lines[5][:40] + b"\n"],
    }
    for name, changed in tampered.items():
        log = b"".join(changed)
        assert log != exported, name
        assert by_hand(tmp_path, log).returncode == 1, name
        assert not check_exported(log).holds, name


def test_a_cut_log_holds_by_hand_and_its_head_is_not_the_receipts(exported: bytes, tmp_path: Path) -> None:
    whole = by_hand(tmp_path, exported).stdout
    cut = b"".join(exported.splitlines(keepends=True)[:-2])
    done = by_hand(tmp_path, cut)
    assert (done.returncode, done.stdout == whole) == (0, False)
    assert [one.how for one in check_exported(cut, whole).faults] == ["cut"]


def test_no_person_is_named_in_what_is_exported(exported: bytes) -> None:
    assert not re.search(rb"potter|quillmere", exported, re.IGNORECASE)
    with pytest.raises(MendbayError):
        check_exported(b"Quillmere Pottery\n")

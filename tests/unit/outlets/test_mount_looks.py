"""A look at a medium that hangs is given up, and costs no more than one."""

from __future__ import annotations

import threading
from concurrent.futures import Future
from pathlib import Path

import pytest

from mendbay.core.errors import DestinationError
from mendbay.outlets import handed_back, mediums, mount_looks
from mendbay.outlets.handed_back import report_file
from mendbay.outlets.mediums import Mounted, mounted_mediums
from mendbay.outlets.mount_looks import DoesNotAnswer, looked, mount_of

TABLE = """\
21 1 8:1 / / rw - ext4 /dev/sda1 rw
35 21 8:17 / /media/kim/a\\040stick rw,nosuid - vfat /dev/sdb1 rw
36 21 8:33 / /media/kim/other rw - ext4 /dev/sdc1 rw
37 21 8:34 / /media/kim/sealed ro - ext4 /dev/sdd1 rw
38 21 0:40 / /srv/a\\040share rw - nfs4 host:/x rw
"""
STICK = "/media/kim/a stick"


@pytest.fixture(autouse=True)
def mounted(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    table = tmp_path / "mountinfo"
    table.write_text(TABLE)
    monkeypatch.setattr(mount_looks, "MOUNTS", table)
    monkeypatch.setattr(mount_looks, "_hanging", {})
    monkeypatch.setattr(mount_looks.looked, "__defaults__", (0.05,))


def test_places_are_told_apart_by_name() -> None:
    places = (STICK, f"{STICK}/a/b", "/media/kim/a stickler", "/srv/a share/x", "/media/kim/other")
    assert [mount_of(one) for one in places] == [STICK, STICK, "/", "/srv/a share", "/media/kim/other"]


def test_what_hangs_is_given_up_and_looked_at_again_once_it_comes_back() -> None:
    free, begun = threading.Event(), []

    def hangs() -> str:
        begun.append(1)
        free.wait(30)
        return "there"

    for _ in range(5):
        with pytest.raises(DoesNotAnswer, match="does not answer"):
            looked(f"{STICK}/x", hangs)
    assert len(begun) == 1, "no other look is begun while it hangs"
    assert looked("/media/kim/other", lambda: "another") == "another"
    free.set()
    while not mount_looks._hanging[STICK].done():
        pass
    assert looked(STICK, hangs, 30) == "there"
    assert STICK not in mount_looks._hanging


def test_what_a_look_raises_is_raised() -> None:
    def fails(trouble: Exception) -> None:
        raise trouble

    for one in (FileNotFoundError("gone"), TimeoutError("its own"), ValueError("odd")):
        with pytest.raises(type(one), match=str(one)):
            looked(STICK, lambda one=one: fails(one), 30)  # type: ignore[misc]
    assert not mount_looks._hanging


def test_what_comes_in_the_last_moment_is_taken(monkeypatch: pytest.MonkeyPatch) -> None:
    class Late(Future[str]):
        """Told to be too late, and there by then."""

        def result(self, timeout: float | None = None) -> str:
            found = super().result(30)
            if timeout is not None:
                raise TimeoutError
            return found

    monkeypatch.setattr(mount_looks, "Future", Late)
    assert looked(STICK, lambda: "there") == "there"


def test_a_medium_that_hangs_is_told_and_the_others_are_as_they_are(monkeypatch: pytest.MonkeyPatch) -> None:
    free = threading.Event()

    def look(point: str, file_system: str) -> Mounted:
        if point == STICK:
            free.wait(30)
        return Mounted(point, file_system, ("drive",))

    monkeypatch.setattr(mediums, "_looked_at", look)
    monkeypatch.setattr(mediums, "looked", lambda place, do: looked(place, do, 1.0))
    found = [Mounted(STICK, "vfat", (), answers=False), Mounted("/media/kim/other", "ext4", ("drive",))]
    assert list(mounted_mediums()) == found
    free.set()


def test_a_report_on_a_medium_that_hangs_is_told(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    free = threading.Event()
    monkeypatch.setattr(handed_back, "READ_SECONDS", 0.05)
    monkeypatch.setattr(handed_back, "SafeFolder", lambda folder: free.wait(30))
    with pytest.raises(DestinationError, match="it does not answer"):
        report_file(tmp_path, "report.json", 100)
    free.set()

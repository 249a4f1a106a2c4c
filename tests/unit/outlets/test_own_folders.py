"""What the shop holds of its customers is for its own account; what is for a customer to take away is not."""

from __future__ import annotations

import os
import stat
from collections.abc import Iterator
from contextlib import contextmanager
from pathlib import Path

from mendbay.jobs.events import Event, Said
from mendbay.outlets.own_folders import close_to_others, make_own
from mendbay.wiring import export_folder, open_bench
from support.handback_run import copy_all
from support.lively_home import lively_home


@contextmanager
def umask(mask: int) -> Iterator[None]:
    before = os.umask(mask)
    try:
        yield
    finally:
        os.umask(before)


def mode(path: Path) -> int:
    return stat.S_IMODE(path.stat().st_mode)


def test_nobody_else_can_look_at_anything_in_a_home(tmp_path: Path) -> None:
    home = lively_home(tmp_path / "home")
    with umask(0o002), export_folder(1, home) as export:
        assert mode(export) == 0o700
    wide = {str(one.relative_to(home)): oct(mode(one)) for one in home.rglob("*") if mode(one) & 0o077}
    assert not wide
    assert mode(home) == 0o700
    assert (home / "cases").is_dir()


def test_folders_above_are_made_as_any_others_and_one_that_is_there_stays(tmp_path: Path) -> None:
    with umask(0o022):
        make_own(tmp_path / "data" / "home", tmp_path / "data" / "home" / "cases")
        (tmp_path / "own").mkdir()
        make_own(tmp_path / "own", tmp_path / "own" / "cases")
    assert [mode(tmp_path / one) for one in ("data", "data/home", "data/home/cases")] == [0o755, 0o700, 0o700]
    assert [mode(tmp_path / one) for one in ("own", "own/cases")] == [0o755, 0o700]


def test_what_a_customer_takes_away_can_be_read_there(tmp_path: Path) -> None:
    with umask(0o022):
        copy_all(tmp_path / "bag")
    narrow = {one.name for one in (tmp_path / "bag").rglob("*") if not mode(one) & 0o004}
    assert not narrow
    assert mode(tmp_path / "bag" / "data") == 0o755


def test_a_home_of_before_is_closed_and_that_is_told_once(tmp_path: Path) -> None:
    home, told = tmp_path / "home", list[Event]()
    with open_bench(home):
        pass
    for name in ("cases", "exports"):
        (home / name).mkdir()
        (home / name).chmod(0o755)
    with open_bench(home, tell=told.append):
        assert [one.text.split(";")[0] for one in told if isinstance(one, Said)] == [
            f"Others on this machine could look into {home / name}" for name in ("cases", "exports")
        ]
    assert [mode(home / name) for name in ("cases", "exports")] == [0o700, 0o700]
    with open_bench(home, tell=told.append):
        assert len(told) == 2


def test_what_a_person_chose_stays(tmp_path: Path) -> None:
    """A group let in on purpose, and a disk that a link leads to."""
    (tmp_path / "disk").mkdir()
    (tmp_path / "disk").chmod(0o755)
    (tmp_path / "cases").mkdir()
    (tmp_path / "cases").chmod(0o750)
    (tmp_path / "exports").symlink_to(tmp_path / "disk")
    assert close_to_others(tmp_path / "cases", tmp_path / "exports", tmp_path / "none") == ()
    assert [mode(tmp_path / one) for one in ("cases", "disk")] == [0o750, 0o755]

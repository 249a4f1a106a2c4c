"""A save that fails at any call of the system leaves a copy that is whole, or none that looks so."""

from __future__ import annotations

import errno
import os
import shutil
from collections.abc import Callable
from pathlib import Path

import pytest

from mendbay.core.errors import MendbayError
from mendbay.outlets import safe_folder, saved_copy, saved_files
from support.failing import FailingOs
from support.saved_shops import CASE, faults_of, files, make_shop, read_on, require_claims, save

CALLS = ("mkdir", "rename", "unlink", "fsync", "ftruncate", "pwrite", "write", "rmdir")
MOST = 400


class Killed(BaseException):
    """Stands for the process being gone: nobody catches it."""


TROUBLES: dict[str, Callable[[], BaseException]] = {
    "full": lambda: OSError(errno.ENOSPC, "made by the test"),
    "broken": lambda: OSError(errno.EIO, "made by the test"),
    "killed": Killed,
}


@pytest.mark.slow
@pytest.mark.parametrize("turn", range(len(TROUBLES)))
@pytest.mark.parametrize("is_second", [False, True])
def test_wherever_it_fails(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch, turn: int, is_second: bool
) -> None:
    """Each call fails once; the turns share them among themselves, each with another trouble first."""
    monkeypatch.setattr(saved_copy, "SETTLED_NS", -1)
    monkeypatch.setattr(os, "fsync", lambda fd: None)  # no power is cut here
    home, kept, folder = tmp_path / "home", tmp_path / "kept", tmp_path / "copy"
    make_shop(home)
    if is_second:
        save(home, kept)
        read_on(home, 1 << 20, 1 << 21)
        (home / "settings" / "keeping.toml").unlink()
        (home / "settings" / "shop.toml").write_text('name = "A shop"\n')
    kinds = list(TROUBLES)
    outcomes = []
    for at in range(1 + turn, MOST, len(TROUBLES)):
        kind = kinds[(at // len(TROUBLES) + turn) % len(kinds)]
        shutil.rmtree(folder, ignore_errors=True)
        if is_second:
            shutil.copytree(kept, folder)
        if not fails(monkeypatch, home, folder, at, kind):
            break
        outcomes.append((folder / "bagit.txt").exists())
        if outcomes[-1]:
            assert faults_of(folder, home) == [], (at, kind)
        save(home, folder)
        assert faults_of(folder, home) == [], (at, kind)
        require_claims(folder / "data" / CASE / "bay-1.img")
        assert not (folder / "coming").exists()
        assert as_in(folder / "data") == as_in(home), (at, kind)
    assert len(outcomes) > 20
    assert False in outcomes
    assert True in outcomes


def as_in(place: Path) -> dict[str, bytes]:
    """What a home and its copy have byte for byte in common: all but the databases."""
    apart = (".sqlite3", ".coverage", "-wal", "-shm")
    return {path: data for path, data in files(place).items() if not path.endswith(apart)}


def fails(monkeypatch: pytest.MonkeyPatch, home: Path, folder: Path, at: int, kind: str) -> bool:
    failing = FailingOs(CALLS, at, TROUBLES[kind], for_good=kind == "killed")
    with monkeypatch.context() as patched:
        for module in (safe_folder, saved_copy, saved_files):
            patched.setattr(module, "os", failing)
        try:
            save(home, folder)
        except (MendbayError, Killed):
            return True
        return failing.calls >= at  # a fault that may be passed over, as in clearing away

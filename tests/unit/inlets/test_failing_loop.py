"""When a failing loop device can be had, and what is said when it cannot."""

from __future__ import annotations

import os
import sys
from pathlib import Path

import pytest

from mendbay.core.errors import SourceError
from mendbay.inlets import failing_loop, failing_loop_server
from mendbay.inlets.failing_loop import FailingLoop, available
from mendbay.inlets.unsteady_description import UnsteadyDescription


def test_other_systems_are_told_so(monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setattr(sys, "platform", "darwin")
    assert available() == "failing loop devices need Linux"


def test_without_root_it_is_told_so(monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setattr(os, "geteuid", lambda: 1000)
    assert available() == "not root"


def test_a_missing_node_is_named(monkeypatch: pytest.MonkeyPatch) -> None:
    def missing(path: str, *_: object) -> int:
        raise FileNotFoundError(2, "No such file or directory", path)

    monkeypatch.setattr(os, "geteuid", lambda: 0)
    monkeypatch.setattr(os, "open", missing)
    assert available() == "/dev/fuse cannot be opened: No such file or directory"


def test_a_container_that_forbids_mounts_is_told_so(monkeypatch: pytest.MonkeyPatch) -> None:
    def forbidden(*_: object) -> int:
        raise PermissionError(1, "Operation not permitted")

    monkeypatch.setattr(failing_loop_server, "system_call", forbidden)
    assert failing_loop._missing_rights() == "this machine allows no FUSE mount: Operation not permitted"


def test_a_system_call_that_fails_raises_its_error() -> None:
    with pytest.raises(OSError, match="not implemented"):
        failing_loop_server.system_call(100_000)


def test_a_description_that_does_not_work_is_said_by_the_server(tmp_path: Path) -> None:
    with pytest.raises(SourceError, match=r"none\.img") as found:
        FailingLoop(UnsteadyDescription(tmp_path / "none.img"))
    assert "No failing loop device" in found.value.what

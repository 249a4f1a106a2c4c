"""Whether a drive may be asked about itself while it is read, as a technician says it."""

from __future__ import annotations

from pathlib import Path
from unittest.mock import MagicMock

import pytest
from click.testing import CliRunner

from mendbay.core.errors import UsageError
from mendbay.faces.cli import drive, pair
from mendbay.faces.cli.screen import Screen
from mendbay.imaging.hazard import Condition
from mendbay.jobs.read_drive import DriveAt

Said = tuple[bool, Condition | None]


def said(monkeypatch: pytest.MonkeyPatch, home: Path, module: object, *words: str) -> list[Said]:
    """Whether the drives that a command hands to its job may be asked, and what they are said to be like."""
    handed: list[DriveAt] = []

    def job(_bench: object, _case: int, at: DriveAt | list[DriveAt], *_: object, **__: object) -> None:
        handed.extend([at] if isinstance(at, DriveAt) else at)
        raise UsageError("Far enough.", "Look at what was handed over.")

    for name in ("read_drive", "compare_drive", "read_pair"):
        monkeypatch.setattr(module, name, job, raising=False)
    for name in ("foresee_drives", "say_drive_cautions", "image_of"):  # the drives of this test are none
        monkeypatch.setattr(module, name, MagicMock(), raising=False)
    CliRunner().invoke(module.command, words, obj=Screen(str(home), False, True))  # type: ignore[attr-defined]
    return [(one.ask, one.condition) for one in handed]


def test_what_a_person_says_of_a_drive_reaches_the_job(opened: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    may, no, clicks = (True, None), (False, None), (True, Condition.CLICKS)
    for words, expected in (
        (("read", "1", "1", "x.img"), [may]),
        (("read", "1", "1", "x.img", "--ask-nothing"), [no]),
        (("read", "1", "1", "x.img", "--condition", "clicks"), [clicks]),
        (("read", "1", "1", "x.img", "--condition", "healthy"), [(True, Condition.HEALTHY)]),
        (("compare", "1", "1", "x.img"), [may]),
        (("compare", "1", "1", "x.img", "--ask-nothing"), [no]),
    ):
        assert said(monkeypatch, opened, drive, *words) == expected, words
    both = ("read", "1", "1=x.img", "2=y.img")
    assert said(monkeypatch, opened, pair, *both) == [may, may]
    assert said(monkeypatch, opened, pair, *both, "--ask-nothing") == [no, no]
    assert said(monkeypatch, opened, pair, *both, "--condition", "2=clicks") == [may, clicks]
    for wrong in ("3=clicks", "2=broken", "clicks"):
        assert said(monkeypatch, opened, pair, *both, "--condition", wrong) == [], "refused before any drive"

"""Whether a drive may be asked about itself while it is read, as a technician says it."""

from __future__ import annotations

from pathlib import Path
from unittest.mock import MagicMock

import pytest
from click.testing import CliRunner

from mendbay.core.errors import UsageError
from mendbay.faces.cli import drive, pair
from mendbay.faces.cli.screen import Screen
from mendbay.jobs.read_drive import DriveAt


def asks(monkeypatch: pytest.MonkeyPatch, home: Path, module: object, *words: str) -> list[bool]:
    """What the drives that a command hands to its job may be asked."""
    handed: list[DriveAt] = []

    def job(_bench: object, _case: int, at: DriveAt | list[DriveAt], *_: object, **__: object) -> None:
        handed.extend([at] if isinstance(at, DriveAt) else at)
        raise UsageError("Far enough.", "Look at what was handed over.")

    for name in ("read_drive", "compare_drive", "read_pair"):
        monkeypatch.setattr(module, name, job, raising=False)
    for name in ("foresee_drives", "say_drive_cautions", "image_of"):  # the drives of this test are none
        monkeypatch.setattr(module, name, MagicMock(), raising=False)
    CliRunner().invoke(module.command, words, obj=Screen(str(home), False, True))  # type: ignore[attr-defined]
    return [one.ask for one in handed]


def test_a_drive_is_asked_unless_it_clicks_or_a_person_says_no(
    opened: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    for words, expected in (
        (("read", "1", "1", "x.img"), [True]),
        (("read", "1", "1", "x.img", "--ask-nothing"), [False]),
        (("read", "1", "1", "x.img", "--condition", "clicks"), [False]),
        (("read", "1", "1", "x.img", "--condition", "healthy"), [True]),
        (("compare", "1", "1", "x.img"), [True]),
        (("compare", "1", "1", "x.img", "--ask-nothing"), [False]),
    ):
        assert asks(monkeypatch, opened, drive, *words) == expected, words
    both = ("read", "1", "1=x.img", "2=y.img")
    assert asks(monkeypatch, opened, pair, *both) == [True, True]
    assert asks(monkeypatch, opened, pair, *both, "--ask-nothing") == [False, False]
    assert asks(monkeypatch, opened, pair, *both, "--condition", "2=clicks") == [True, False]
    for wrong in ("3=clicks", "2=broken", "clicks"):
        assert asks(monkeypatch, opened, pair, *both, "--condition", wrong) == [], "refused before any drive"

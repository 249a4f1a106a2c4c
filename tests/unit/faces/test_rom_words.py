"""What `rom write` and `rom restore` ask a person before a chip is written."""

from __future__ import annotations

from contextlib import nullcontext
from types import SimpleNamespace
from typing import Any

import pytest

from mendbay.faces.cli import rom


@pytest.mark.parametrize("restore", [False, True])
def test_what_speaks_against_a_transfer_spares_restoring_no_question(
    monkeypatch: pytest.MonkeyPatch, restore: bool
) -> None:
    target = SimpleNamespace(role="donor", chip_name="a chip", size_bytes=4096)
    planned = SimpleNamespace(
        plan=SimpleNamespace(target=target), reasons=("The two seem to be mixed up.",), needs_word=True
    )
    answers: list[dict[str, object]] = []
    said: list[str] = []
    screen: Any = SimpleNamespace(
        home=None,
        tell=None,
        as_json=True,
        told_to_end=nullcontext,
        answer=lambda said, _: answers.append(said),
        say=said.append,
    )
    for name in ("shop_files", "transfer_journals"):
        monkeypatch.setattr(rom, name, lambda _: None)
    monkeypatch.setattr(rom, "open_bench", lambda *_, **__: nullcontext())
    monkeypatch.setattr(rom, "remembered", lambda *_: None)
    monkeypatch.setattr(rom, "tell_plan", lambda *_: planned)

    def carried_out(*_: object, **__: object) -> None:
        raise RuntimeError("carried out")

    monkeypatch.setattr(rom, "carry_out", carried_out)
    nothing: Any = None
    with pytest.raises(SystemExit if restore else RuntimeError):
        rom._carry_out(screen, 1, "1", nothing, yes=False, restore=restore)
    assert answers == [{"written": False}] * restore
    assert "CAUTION" in said[0], "before anything is asked or written"

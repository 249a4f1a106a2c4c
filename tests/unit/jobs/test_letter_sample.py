"""The invented case has just the facts that a real one has, and every letter of ours can be tried on it."""

from __future__ import annotations

from pathlib import Path
from typing import Any

import pytest

from mendbay.jobs import letters
from mendbay.jobs.bench import Bench
from mendbay.jobs.letter_sample import HAPPENED, sample_facts
from mendbay.jobs.letters import letter_words
from mendbay.outlets.stationery import packaged_wordings
from mendbay.wiring import own_papers


def test_the_invented_case_has_the_facts_of_a_real_one(
    bench: Bench, tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    seen: list[dict[str, Any]] = []
    real = letters._facts

    def keep(*args: Any, **more: Any) -> dict[str, Any]:
        seen.append(real(*args, **more))
        return seen[-1]

    monkeypatch.setattr(letters, "_facts", keep)
    letter_words(bench, 1)
    kinds = {key: type(one) for key, one in seen[0].items()}
    for wording in HAPPENED:
        facts = sample_facts(bench, wording)
        assert facts is not None
        assert {key: type(one) for key, one in facts.items()} == kinds
        said = own_papers(tmp_path).try_out(wording, packaged_wordings()[wording], facts)
        assert "Fern Example" in said
    assert sample_facts(bench, "quote") is None


def test_every_message_of_ours_can_be_tried() -> None:
    assert HAPPENED.keys() == {one for one in packaged_wordings() if one.startswith(("letter", "message-"))}

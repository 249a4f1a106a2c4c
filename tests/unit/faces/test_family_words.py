"""What is said of a learned family."""

from __future__ import annotations

import numpy as np
import pytest

from mendbay.board.rules.search import learn
from mendbay.faces.cli.rom import _family_text
from mendbay.jobs.learn_rom import LearnedFamily


@pytest.mark.parametrize(("dumps", "cautioned"), [(1, True), (2, True), (3, False)])
def test_rules_from_few_dumps_come_with_a_caution(dumps: int, cautioned: bool) -> None:
    random = np.random.default_rng(5)
    family = learn([random.integers(0, 256, 4096, np.uint8).tobytes() for _ in range(dumps)])
    assert (
        "CAUTION: rules learned from" in _family_text(LearnedFamily("made-up", family, None), "there")
    ) == cautioned

"""What the tests of jobs and of the command line read: small boxes."""

from __future__ import annotations

from pathlib import Path

import pytest

from mendbay.outlets.scenario.scenario import Scenario
from mendbay.outlets.scenario.small import SmallBase
from support.boxes import giving_box, small_base


@pytest.fixture(scope="session")
def base(tmp_path_factory: pytest.TempPathFactory) -> SmallBase:
    """A small volume for any number of boxes. Not to be written to: what a box holds is a copy."""
    return small_base(tmp_path_factory.mktemp("base"))


@pytest.fixture
def box(tmp_path: Path, base: SmallBase) -> Scenario:
    """A mirror in step on two drives that give everything."""
    return giving_box(tmp_path / "box", base)

"""What the tests of the board's jobs work on: a bench with a case, and the shop's own files beside it."""

from __future__ import annotations

from collections.abc import Iterator
from pathlib import Path

import pytest

from mendbay.jobs.bench import Bench
from mendbay.jobs.events import Event, Said, Tell
from mendbay.outlets.shop_files import ShopFolder
from support.board_bench import bench_with_case


@pytest.fixture
def said() -> list[str]:
    """What was said to the person; filled by `hear`."""
    return []


@pytest.fixture
def hear(said: list[str]) -> Tell:
    def tell(event: Event) -> None:
        if isinstance(event, Said):
            said.append(event.text)

    return tell


@pytest.fixture
def bench(tmp_path: Path) -> Iterator[Bench]:
    with bench_with_case(tmp_path / "home") as made:
        yield made


@pytest.fixture
def shop(tmp_path: Path) -> ShopFolder:
    return ShopFolder(tmp_path / "home")

"""What the tests of the board's jobs work on: a bench with a case, and the shop's own files beside it."""

from __future__ import annotations

from collections.abc import Iterator
from pathlib import Path

import pytest

from mendbay.jobs.bench import Bench
from mendbay.outlets.shop_files import ShopFolder
from support.board_bench import bench_with_case


@pytest.fixture
def bench(tmp_path: Path) -> Iterator[Bench]:
    with bench_with_case(tmp_path / "home") as made:
        yield made


@pytest.fixture
def shop(tmp_path: Path) -> ShopFolder:
    return ShopFolder(tmp_path / "home")

"""The bench in the browser, asked without a browser."""

from __future__ import annotations

from collections.abc import Iterator
from pathlib import Path

import pytest

from support.web_client import Web, web_on


@pytest.fixture
def web(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> Iterator[Web]:
    """The bench over an empty home, as a browser on the same machine sees it."""
    monkeypatch.setenv("MENDBAY_WHO", "Kim")
    with web_on(tmp_path / "home") as found:
        yield found

"""The bench in the browser, asked without a browser."""

from __future__ import annotations

from collections.abc import Iterator
from pathlib import Path

import pytest

from mendbay.faces.web import phone
from support.web_client import Web, web_on


@pytest.fixture
def web(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> Iterator[Web]:
    """The bench over an empty home, as a browser on the same machine sees it."""
    monkeypatch.setenv("MENDBAY_WHO", "Kim")
    with web_on(tmp_path / "home") as found:
        yield found


@pytest.fixture(autouse=True)
def no_network(monkeypatch: pytest.MonkeyPatch) -> None:
    """Telephones are listened to on this machine alone."""
    monkeypatch.setattr(phone, "addresses_of_this_machine", lambda: ["127.0.0.1"])

"""Every key of a simulated chip is documented."""

from __future__ import annotations

from dataclasses import fields
from pathlib import Path

from mendbay.inlets.simulated_flash import FlashDescription, FlashFaults

DOC = Path(__file__).parents[3] / "docs" / "formats" / "simulated-chip.md"


def test_every_key_of_a_simulated_chip_is_documented() -> None:
    text = DOC.read_text()
    keys = {one.name for kind in (FlashDescription, FlashFaults) for one in fields(kind)} | {"memory"}
    assert [one for one in sorted(keys) if f"`{one}`" not in text] == []

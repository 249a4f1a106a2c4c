"""Folders of pages that a drive once answered with, for tests of what is made of them."""

from __future__ import annotations

from collections.abc import Mapping
from pathlib import Path

from support.ata_pages import identity_page, limits_page, sct_page, smart_page, threshold_page

TWO_TB = 3_907_029_168
"""IDEMA LBA1-02."""


def drive_pages(
    folder: Path,
    counts: Mapping[int, int] | None = None,
    celsius: int = 38,
    sectors: int = TWO_TB,
    words: Mapping[int, int] | None = None,
    limits: Mapping[int, int] | None = None,
    **texts: str,
) -> str:
    """A drive of 2 TB that keeps records, as a name for `drive facts`."""
    folder.mkdir(exist_ok=True)
    some = counts if counts is not None else {5: 0, 9: 1200, 187: 0, 197: 0, 198: 0, 199: 0}
    pages = {
        "identify": identity_page(sectors=sectors, words={206: 1} | dict(words or {}), **texts),
        "health": smart_page(some),
        "thresholds": threshold_page(limits or dict.fromkeys(some, 20)),
        "sct-status": sct_page(celsius),
        "temperature-statistics": limits_page(65),
    }
    for name, page in pages.items():
        (folder / f"{name}.bin").write_bytes(page)
    return f"pages:{folder}"

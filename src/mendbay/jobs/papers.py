"""What all papers of a case share: the shop's head and the case's number."""

from __future__ import annotations

from typing import Any

from mendbay.case.records import Case
from mendbay.case.shop import Shop, read_shop
from mendbay.jobs.bench import Bench

SHARED_ACCOUNTS = frozenset({"root"})
"""Accounts whose name is nobody's (own choice)."""


def shop_of(bench: Bench) -> Shop:
    """The shop as its own file describes it; nameless without one.

    Raises:
        BadFormFile: the file is not sound.
    """
    text = bench.shop_files.text("settings", "shop")
    return Shop() if text is None else read_shop(text)


def person_on_paper(bench: Bench, who: str) -> str:
    """Who stands on a paper for the shop: the person, or the shop's name where only an account of the machine
    is known that everybody may use.

    Raises:
        BadFormFile: the shop's own file is not sound.
    """
    return shop_of(bench).name or who if who in SHARED_ACCOUNTS else who


def frame(bench: Bench, title: str, case: Case | None = None, *, shop: Shop | None = None) -> dict[str, Any]:
    """The facts that every paper has: `title`, `case` (`0007`, empty for none), `page`, `shop` and `today`
    (`2026-11-25`).

    Args:
        shop: how the shop is described; None for its own file.

    Raises:
        BadFormFile: the shop's own file is not sound.
    """
    shop = shop or shop_of(bench)
    return {
        "title": title,
        "case": "" if case is None else f"{case.number:04}",
        "page": shop.page,
        "shop": {"name": shop.name, "lines": list(shop.lines)},
        "today": bench.now()[:10],
    }

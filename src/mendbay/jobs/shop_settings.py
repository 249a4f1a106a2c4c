"""The shop's own files changed as texts: looked at by what reads them before they are kept."""

from __future__ import annotations

import json
from collections.abc import Callable, Mapping
from dataclasses import dataclass
from pathlib import Path

from mendbay.case.agenda import WaitsFor
from mendbay.case.agenda_tables import read_limits
from mendbay.case.shop import Shop, read_shop
from mendbay.core.errors import UsageError
from mendbay.handback.keeping import read_keeping
from mendbay.jobs.board_ports import ShopFiles
from mendbay.jobs.quote_lines import PRICES, price_list_of

PAPERS, POWER = "papers", "power"
Check = Callable[[str], object]
"""Raises what is wrong with a text."""
CHECKS: Mapping[str, Check] = {
    PRICES: price_list_of,
    "shop": read_shop,
    "agenda": read_limits,
    "keeping": read_keeping,
}
"""By the name of a file in `settings/`, what reads it. The relay's is read outside, where it is run."""


@dataclass(frozen=True, slots=True)
class KeptText:
    """A file of the shop that was changed: where it is, and where the earlier one is now, if there was
    another."""

    path: Path
    earlier: Path | None


def keep_text(shop: ShopFiles, kind: str, name: str, text: str, check: Check) -> KeptText:
    """Keeps a text as the shop's own file, if what reads it takes it; the earlier one gets a number.

    Args:
        check: what reads it.

    Raises:
        UsageError: it says nothing, or the name cannot be a file's.
        BadFormFile: what reads it refuses it; the earlier one stays in force.
        DestinationError: it cannot be written.
    """
    if not text.strip():
        raise UsageError(
            "There is no text: nothing was kept.",
            "To have ours in force again, put the shop's own file away.",
        )
    whole = f"{text.rstrip()}\n"
    check(whole)
    path, earlier = shop.keep(kind, name, whole)
    return KeptText(path, earlier)


def shop_text(shop: Shop) -> str:
    """The text of `settings/shop.toml` that says this."""
    rows = "".join(f"\n  {_quoted(one)}," for one in shop.lines)
    lines = f"[{rows}\n]" if rows else "[]"
    return f"name = {_quoted(shop.name)}\nlines = {lines}\npage = {_quoted(shop.page)}\n"


def limits_text(days: Mapping[WaitsFor, int]) -> str:
    """The text of `settings/agenda.toml` that says this."""
    return "[wait_days]\n" + "".join(f"{who.value} = {one}\n" for who, one in days.items())


def keeping_text(days: int) -> str:
    """The text of `settings/keeping.toml` that says this."""
    return f"days = {days}\n"


def _quoted(text: str) -> str:
    """A text as TOML has it: its escapes are those of JSON, but for DEL."""
    return json.dumps(text, ensure_ascii=False).replace("\x7f", "\\u007f")


def known_check(name: str) -> Check:
    """What reads the file of that name in `settings/`.

    Raises:
        UsageError: there is no such file.
    """
    if name not in CHECKS:
        raise UsageError(
            f"There is no setting {name[:40]!r}.", f"There are: {', '.join(sorted(CHECKS))} and {POWER}."
        )
    return CHECKS[name]

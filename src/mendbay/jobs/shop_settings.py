"""The shop's own files changed as texts: looked at by what reads them before they are kept."""

from __future__ import annotations

from collections.abc import Callable, Mapping, Sequence
from dataclasses import dataclass
from pathlib import Path

from mendbay.case.agenda import WaitsFor
from mendbay.case.agenda_tables import read_limits
from mendbay.case.shop import Shop, read_shop
from mendbay.core.errors import UsageError
from mendbay.core.toml_text import NotToml, parse_toml
from mendbay.core.toml_values import NotInPlace, Place, Value, quoted, with_values
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
    rows = "".join(f"\n  {quoted(one)}," for one in shop.lines)
    lines = f"[{rows}\n]" if rows else "[]"
    return f"name = {quoted(shop.name)}\nlines = {lines}\npage = {quoted(shop.page)}\n"


def limits_text(days: Mapping[WaitsFor, int]) -> str:
    """The text of `settings/agenda.toml` that says this."""
    return "[wait_days]\n" + "".join(f"{who.value} = {one}\n" for who, one in days.items())


def keeping_text(days: int) -> str:
    """The text of `settings/keeping.toml` that says this."""
    return f"days = {days}\n"


def changed_text(text: str, before: Mapping[Place, Value], after: Mapping[Place, Value]) -> str | None:
    """A file's text with the values of a form where they differ from what it says; remarks and all else stay.
    None if that cannot be.

    Args:
        before: what is read from the text, also where it says nothing of it; none of it to have all written.
        after: what it is to say.
    """
    wanted = {place: one for place, one in after.items() if place not in before or one != before[place]}
    try:
        return with_values(text, wanted)
    except NotInPlace:
        return None


def renewed_text(text: str, whole: str) -> str | None:
    """A file's text with all the values of another text; remarks and all else of it stay. None if that cannot
    be.

    Args:
        text: what is in force; it need not be sound.
        whole: values, also in tables, as we write them.
    """
    try:
        now = parse_toml(text)
    except NotToml:
        return None
    wanted: dict[Place, Value] = {}
    for key, one in parse_toml(whole).items():
        inside = one.items() if isinstance(one, dict) else ()
        wanted |= {(key, name): each for name, each in inside} if inside else {(key,): one}
    before = {place: value for place, value in wanted.items() if _says(now, place, value)}
    return changed_text(text, before, wanted)


def _says(now: object, place: Place, value: Value) -> bool:
    for part in place:
        if not isinstance(now, dict) or part not in now:
            return False
        now = now[part]
    return type(now) is type(value) and now == value


def relay_lines(command: Sequence[str]) -> str | None:
    """The words of a command one a line, as a form has them; None for a word that would not come back from
    there as it was, or that a page does not show as it is."""
    said = "\n".join(command)
    plain = all(one.isprintable() for one in command)
    return said if plain and words_of_lines(said) == list(command) else None


def words_of_lines(said: str) -> list[str]:
    """The words of a command that a form has one a line; blanks around them and empty lines mean nothing."""
    return [one.strip() for one in said.splitlines() if one.strip()]


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

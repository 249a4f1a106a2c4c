"""Readings in a quote: a drive is read once, by itself or together with the other, and is paid for once."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass, replace
from decimal import Decimal

from mendbay.case.price_list import PriceList, quantity_of
from mendbay.case.quote import Ending, Possible
from mendbay.jobs.work_on_record import BOTH, ONE, OnRecord

Lines = tuple[tuple[str, str], ...]
"""Ids of the price list, each with a quantity as typed."""


@dataclass(frozen=True, slots=True)
class Readings:
    """Lines, and ways in which no drive is read twice.

    Args:
        lines: that were picked.
        works, endings: what may be needed, and by which way.
        said: what must be said of it, as sentences.
    """

    lines: Lines
    works: tuple[Possible, ...]
    endings: tuple[Ending, ...]
    said: tuple[str, ...]


def both_once(prices: PriceList, lines: Lines) -> tuple[Lines, list[str]]:
    """Picked lines with the reading of both drives once, whatever quantity was typed: it is of both drives,
    and not once for each."""
    left, said, room = list[tuple[str, str]](), list[str](), Decimal(1)
    for name, typed in lines:
        if name != BOTH:
            left.append((name, typed))
            continue
        words = prices.picked(name).words
        quantity = quantity_of(typed or "1", words)
        mine = min(room, quantity)
        room -= mine
        if quantity > mine:
            said.append(f"“{words}” is of both drives together: it stands once, and not {quantity:f} times.")
        if mine:
            left.append((name, typed if mine == quantity else f"{mine:f}"))
    return tuple(left), list(dict.fromkeys(said))


def one_by_one(prices: PriceList, lines: Lines, recorded: OnRecord) -> tuple[Lines, list[str]]:
    """Picked lines with the reading of both drives as that of each, once one of them is read: with what is
    done of it, it would stand twice. Readings of one drive that were picked besides are among them."""
    started = 0 < len(recorded.read) < len(recorded.bays)
    if ONE not in prices.work or not started or all(name != BOTH for name, _ in lines):
        return lines, []
    each = str(len(recorded.bays))
    left, said = _without_singles(prices, lines, len(recorded.bays))
    words = prices.picked(BOTH).words
    said.append(f"“{words}” was picked and one is read already: the drives stand one by one.")
    return tuple((ONE, each) if name == BOTH else (name, typed) for name, typed in left), said


def read_once(
    prices: PriceList, lines: Lines, works: Sequence[Possible], endings: Sequence[Ending], drives: int
) -> Readings:
    """The same, where a reading of both takes the place of those of one drive: in every way that needs it,
    and of as many as it has drives where it was picked.

    Args:
        drives: that a reading of both is of.
    """
    if all(name != BOTH for name, _ in lines):
        return Readings(lines, tuple(works), tuple(_without(one, BOTH in one.needs) for one in endings), ())
    left, said = _without_singles(prices, lines, drives)
    singles = [one for one in works if _is_one(one.key)]
    said += [
        f"“{one.words}” may be needed and is part of the reading of both that was picked." for one in singles
    ]
    return Readings(
        left,
        tuple(one for one in works if one not in singles),
        tuple(_without(one, True) for one in endings),
        tuple(dict.fromkeys(said)),
    )


def one_or_both(works: Sequence[Possible], drives: int) -> tuple[list[Possible], list[str]]:
    """Works of which the picked readings of one drive are not due where a reading of both is needed, and what
    must be said of it. Of more than it has drives the rest stays due.

    Args:
        drives: that a reading of both is of.
    """
    if all(one.key != BOTH for one in works):
        return list(works), []
    found, said, room = list[Possible](), list[str](), Decimal(drives)
    for work in works:
        inside = min(room, work.quantity) if _is_picked_one(work) else Decimal(0)
        room -= inside
        if inside:
            found.append(replace(work, quantity=inside, instead=frozenset({BOTH})))
            said.append(
                f"Where both drives are read, that takes the place of “{work.words}”, which was picked."
            )
        if inside < work.quantity:
            found.append(
                replace(
                    work, key=f"{work.key}{MORE}" if inside else work.key, quantity=work.quantity - inside
                )
            )
    return found, list(dict.fromkeys(said))


MORE = "-more"
"""End of the key of that share of picked readings which no reading of both takes the place of."""


def _without_singles(prices: PriceList, lines: Lines, drives: int) -> tuple[Lines, list[str]]:
    """Picked lines without the readings of one drive that are part of the reading of both."""
    left, said, room = list[tuple[str, str]](), list[str](), Decimal(drives)
    for name, typed in lines:
        if name != ONE:
            left.append((name, typed))
            continue
        quantity = quantity_of(typed or "1", prices.picked(name).words)
        inside = min(room, quantity)
        room -= inside
        if quantity > inside:
            left.append((name, f"{quantity - inside:f}"))
        if inside:
            said.append(f"“{prices.picked(name).words}” is part of the reading of both that was picked too.")
    return tuple(left), said


def _without(one: Ending, joint: bool) -> Ending:
    """A way without the readings of one drive, if both are read together."""
    return replace(one, needs=frozenset(key for key in one.needs if not _is_one(key))) if joint else one


def _is_one(key: str) -> bool:
    return key.partition(":")[0] == ONE


def _is_picked_one(work: Possible) -> bool:
    return work.key.startswith(f"{ONE}:picked-")

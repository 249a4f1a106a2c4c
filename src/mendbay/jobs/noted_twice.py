"""Labels of drives that are at the shop with one and the same serial number: one of them is mistyped."""

from __future__ import annotations

import shlex
from collections.abc import Iterable, Sequence
from dataclasses import dataclass

from mendbay.case.records import Bay, CaseState
from mendbay.core.serials import plain_serial
from mendbay.jobs.bench import Bench
from mendbay.jobs.events import Said

HERE = (CaseState.OPEN, CaseState.WAITING)
"""Cases whose drives are at the shop."""


@dataclass(frozen=True, slots=True)
class NotedTwice:
    """A bay whose serial number stands at other bays too.

    Args:
        others: those, of this case and of others whose drives are at the shop; at least one.
    """

    bay: Bay
    others: tuple[Bay, ...]


def noted_twice(bench: Bench, case: int) -> tuple[NotedTwice, ...]:
    """The bays of a case whose whole serial number is also noted of another bay, be it of another case whose
    drives are at the shop; none for a case that is over, as a drive may come back.

    Raises:
        NoSuchCase: there is no such case.
    """
    mine = [one for one in bench.ledger.bays(case) if plain_serial(one.serial)]
    if not mine or bench.ledger.case(case).state not in HERE:
        return ()
    here = bench.ledger.bays_with_serial(HERE)
    found = ((one, tuple(_same(one, here))) for one in mine)
    return tuple(NotedTwice(bay, others) for bay, others in found if others)


def tell_noted_twice(bench: Bench, case: int, labels: Iterable[str]) -> None:
    """Tells the person of those of these bays that `noted_twice` finds.

    Raises:
        NoSuchCase: there is no such case.
    """
    asked = set(labels)
    for one in noted_twice(bench, case):
        if one.bay.bay in asked:
            bench.tell(Said(twice_words(one)))


def twice_words(one: NotedTwice) -> str:
    """Where the serial number of a bay stands too, and how it is put right, as sentences."""
    bay = one.bay
    where = " and of ".join(f"bay {it.bay}{_of_case(it, bay.case)}" for it in one.others)
    return (
        f"The serial number {bay.serial} of bay {bay.bay} is noted of {where} too: one of them is mistyped. "
        f"Look at the labels, and put the wrong one right: {put_right((bay, *one.others))}."
    )


def put_right(bays: Sequence[Bay]) -> str:
    """The commands that put right what is noted of bays."""
    return " or ".join(
        f"mendbay case bay {one.case} {shlex.quote(f'{one.bay}={one.model}/SERIAL')} --amend" for one in bays
    )


def _same(bay: Bay, here: Iterable[Bay]) -> Iterable[Bay]:
    serial = plain_serial(bay.serial)
    return (
        one
        for one in here
        if (one.case, one.bay) != (bay.case, bay.bay) and plain_serial(one.serial) == serial
    )


def _of_case(bay: Bay, case: int) -> str:
    return "" if bay.case == case else f" of case {bay.case}"

"""Whether a drive may get power now: the customer's word on it, what triage says of the drive, and what its
board's electrical sheet keeps closed."""

from __future__ import annotations

from collections.abc import Iterable, Sequence
from dataclasses import dataclass

from mendbay.core.errors import HeldBack
from mendbay.jobs.bench import Bench
from mendbay.jobs.closed_board import ClosedBoard, closed_board
from mendbay.jobs.consents import (
    consents_of,
    note_asked,
    refused,
    require_asked,
    require_undisputed,
    risk_called,
    to_ask_each_time,
)
from mendbay.jobs.nameless import require_nameless
from mendbay.jobs.remembered import remembered
from mendbay.jobs.triage_case import KeepOff, kept_without_power

POWER = "power-on"
"""The consent to giving power (`consents.toml`)."""
LONG = "long-reading"
"""The consent to long reading, which reading a drive of a case needs besides: nobody knows before how long it
takes."""


@dataclass(frozen=True, slots=True)
class Although:
    """Why a drive gets power, or is read, all the same; custody keeps it. Empty: it is not.

    Args:
        refused: against the customer's word.
        harmful: against triage, or against what the board's electrical sheet keeps closed.
        other_serial: although its serial number contradicts its bay's, or is another bay's.
        asked: the customer, who wants to be asked each time, was asked this time and said yes.
    """

    refused: str = ""
    harmful: str = ""
    other_serial: str = ""
    asked: bool = False


AGAINST_NOTHING = Although()


@dataclass(frozen=True, slots=True)
class ReasonsDue:
    """Which reasons of `Although` it takes to give a drive power, or to read it.

    Args:
        refused: the customer refused it.
        harmful: triage keeps the drive without power, or its board's electrical sheet keeps power away.
        asking: before what the customer wants to be asked each time, in a few words; empty if nothing.
    """

    refused: bool
    harmful: bool
    asking: str = ""


def require_power(
    bench: Bench,
    case: int,
    bays: Iterable[str],
    although: Although = AGAINST_NOTHING,
    *,
    reading: bool = False,
) -> None:
    """Passes where nothing was said against power, or a reason is given against all that was, and a customer
    who wants to be asked each time was; the reasons, and that they were asked, then go into custody, with the
    drives they are of.

    Args:
        reading: the drives are read, beyond what they say of themselves.

    Raises:
        HeldBack: the customer refused power, or reading, or was not asked who wants to be, or triage or the
            electrical sheet keeps one of the drives without it.
        UsageError: a reason names the customer or holds a password.
        NoSuchCase, CaseForgotten: there is no such case any more.
        CustodyBroken: custody tells the customer's word otherwise than the case's notes.
    """
    asked = tuple(bays)
    no, kept, closed = _speaks_against(bench, case, asked, although, reading=reading)
    titles = require_asked(bench, case, _needed(reading), although.asked)
    with bench.ledger.together():
        note_asked(bench, case, titles, [f"drive of bay {bay}" for bay in asked], "imaging")
        for bay in asked if no else ():
            _record(bench, case, bay, "the customer refused it", although.refused)
        for one in kept:
            _record(bench, case, one.bay, "triage says STOP", although.harmful)
        for board in closed:
            _record(bench, case, board.bay, f"the electrical sheet closes {board.gates}", although.harmful)


def foresee_reading(
    bench: Bench, case: int, bays: Iterable[str], although: Although = AGAINST_NOTHING
) -> None:
    """Passes where `require_power` will before reading, and records nothing: for what is said before power is
    given. Raises as it does."""
    _speaks_against(bench, case, tuple(bays), although, reading=True)
    require_asked(bench, case, _needed(True), although.asked)


def foresee_power(bench: Bench, case: int, bays: Iterable[str], although: Although = AGAINST_NOTHING) -> None:
    """As `foresee_reading`, for drives that get power without being read."""
    _speaks_against(bench, case, tuple(bays), although, reading=False)
    require_asked(bench, case, _needed(False), although.asked)


def reasons_due(bench: Bench, case: int, bays: Iterable[str], *, reading: bool) -> ReasonsDue:
    """What has to be given a reason against before drives get power, or with `reading` are read.

    Raises:
        NoSuchCase: there is no such case.
        LedgerError: a note is not one that Mendbay wrote.
    """
    asked = tuple(bays)
    no = _refused(bench, case, reading=reading)
    each_time = to_ask_each_time(consents_of(bench, case), _needed(reading))
    return ReasonsDue(
        bool(no),
        bool(_kept(bench, case, asked) or _closed(bench, case, asked)),
        " and ".join(one.title for one in each_time),
    )


def harm_of_power(bench: Bench, case: int, bays: Iterable[str]) -> dict[str, str]:
    """By bay, why its drive gets no power by what is known now, as a sentence: triage keeps it without, or
    its board's electrical sheet keeps power away. Without the bays of which nothing says so.

    Raises:
        NoSuchCase: there is no such case.
        LedgerError: a note is not one that Mendbay wrote.
    """
    asked = tuple(bays)
    found = {one.bay: one.words for one in _closed(bench, case, asked)}
    return found | {one.bay: one.why for one in _kept(bench, case, asked)}


def _needed(reading: bool) -> tuple[str, ...]:
    """The consents it takes to give a drive power, or to read it."""
    return (POWER, LONG) if reading else (POWER,)


def _refused(bench: Bench, case: int, *, reading: bool) -> list[str]:
    words = refused(consents_of(bench, case))
    return [one for one in _needed(reading) if one in words]


def _kept(bench: Bench, case: int, asked: Sequence[str]) -> list[KeepOff]:
    return [one for bay in asked if (one := kept_without_power(bench, case, bay)) is not None]


def _closed(bench: Bench, case: int, asked: Sequence[str]) -> list[ClosedBoard]:
    return [one for bay in asked if (one := closed_board(bench, case, bay)) is not None]


def _speaks_against(
    bench: Bench, case: int, asked: Sequence[str], although: Although, *, reading: bool
) -> tuple[bool, list[KeepOff], list[ClosedBoard]]:
    """Whether the customer refused power or reading, the drives that triage keeps without it, and the boards
    whose sheets keep it away, where a reason is given against all of them."""
    record = remembered(bench, case)
    require_nameless(record, although.refused, although.harmful, although.other_serial)
    require_undisputed(bench, case)
    no = _refused(bench, case, reading=reading)
    if no and not although.refused.strip():
        raise HeldBack(
            f"The customer refused {' and '.join(risk_called(one).title for one in no)} in case {case}.",
            f"mendbay case consent {case} {no[0]} yes, once they agree; or --although-refused REASON, which "
            "custody keeps",
        )
    kept, closed = _kept(bench, case, asked), _closed(bench, case, asked)
    if (kept or closed) and not although.harmful.strip():
        instead = [f"mendbay triage show {case} tells what to do instead"] if kept else []
        instead += [_mended(case, one) for one in closed]
        raise HeldBack(
            " ".join((*map(_stop, kept), *(one.words for one in closed))),
            f"{'; '.join(instead)}; or --although-harmful REASON, which custody keeps",
        )
    return bool(no), kept, closed


def _mended(case: int, one: ClosedBoard) -> str:
    return (
        f"mend it and measure again (mendbay board sheet {case} {one.bay}), or note the swap once another "
        "board is on the drive and works; until that is known, that it is on is a reason"
    )


def unasked_power(bench: Bench, case: int) -> str:
    """That nobody heard the customer yet on giving power, as a sentence; empty if they gave a word. It holds
    nothing back.

    Raises:
        NoSuchCase: there is no such case.
        LedgerError: a note is not one that Mendbay wrote.
    """
    if POWER in consents_of(bench, case):
        return ""
    return f"The customer was not asked yet about {risk_called(POWER).title}."


def _stop(one: KeepOff) -> str:
    return f"STOP: give the drive of bay {one.bay} no power. {one.why}"


def _record(bench: Bench, case: int, bay: str, against: str, reason: str) -> None:
    bench.custody(case, f"power decided on although {against}", f"drive of bay {bay}; {reason.strip()}")
    bench.note(case, "imaging", f"Bay {bay} is to get power although {against}: {reason.strip()}")

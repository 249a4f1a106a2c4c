"""What a drive's answers about itself amount to, in plain words, the gravest first.

What the counters mean is common use, no standard. That errors of the link point to cables is of Pinheiro,
Weber and Barroso, FAST'07; that about one failed drive in four showed none of the five signs, of the public
drive-stats data set, article of 6 October 2016 (the share from memory).
"""

from __future__ import annotations

from collections.abc import Iterator
from dataclasses import dataclass
from enum import StrEnum

from mendbay.core.quantity import count_text, counted, duration_text
from mendbay.imaging import smart
from mendbay.imaging.ata_page import Checksum
from mendbay.imaging.capacity_check import GRAVE, SizeCheck
from mendbay.imaging.identify import DriveIdentity
from mendbay.imaging.sct import MadeFor, SctStatus
from mendbay.imaging.smart import Health, Records, SelfTest
from mendbay.imaging.smart_logs import ErrorLog, SelfTestLog
from mendbay.imaging.temperature import Heat, HeatLimits, heat_of, limits_for


class Weight(StrEnum):
    """How much a finding matters."""

    GRAVE = "grave"
    MIND = "mind"
    NOTED = "noted"


@dataclass(frozen=True, slots=True)
class DriveFinding:
    """One thing found, and what to do about it."""

    weight: Weight
    words: str


@dataclass(frozen=True, slots=True)
class DriveAnswers:
    """All that a drive answered; None where it gave none.

    Args:
        calls_itself_failing: its own verdict.
        link_errors_before: what it counted of them when it was last asked in this case.
    """

    identity: DriveIdentity
    size: SizeCheck
    calls_itself_failing: bool | None = None
    health: Health | None = None
    sct: SctStatus | None = None
    made_for: MadeFor | None = None
    errors: ErrorLog | None = None
    self_tests: SelfTestLog | None = None
    link_errors_before: int | None = None

    @property
    def records(self) -> Records:
        """What its records amount to."""
        return smart.records_of(self.health, self.calls_itself_failing)

    @property
    def limits(self) -> HeatLimits:
        """How warm it may get: by its own word, else as usual."""
        return limits_for(None if self.made_for is None else self.made_for.highest_made_for)

    @property
    def celsius(self) -> int | None:
        """Its temperature, from the first source that has one."""
        told = (
            None if self.sct is None else self.sct.celsius,
            None if self.made_for is None else self.made_for.celsius,
            None if self.health is None else self.health.celsius,
        )
        return next((one for one in told if one is not None), None)

    @property
    def link_errors(self) -> int | None:
        """Errors of the link, None where they are not counted or the page is spoilt."""
        if self.health is None or not self.health.is_sound:
            return None
        return self.health.link_errors


def findings_of(answers: DriveAnswers) -> tuple[DriveFinding, ...]:
    """What they amount to."""
    found = [*_of_identity(answers), *_of_verdict(answers), *_of_temperature(answers)]
    if answers.health is not None and answers.health.is_sound:
        found += [*_of_counters(answers.health), *_of_link(answers), *_of_age(answers.health)]
    found += _of_logs(answers)
    order = tuple(Weight)
    return tuple(sorted(found, key=lambda one: order.index(one.weight)))


def _of_identity(answers: DriveAnswers) -> Iterator[DriveFinding]:
    identity, lock = answers.identity, answers.identity.security
    if identity.checksum is Checksum.BAD:
        yield _mind(
            "The checksum of its identity is wrong: the answer was spoilt on the way. Check the cable, then "
            "ask again."
        )
    if identity.is_incomplete:
        yield _grave(
            "It could not read all of its identity from its own platters: its service area is in doubt."
        )
    if not identity.model:
        yield _grave("It has no model name: it does not know itself. Service area, or another drive's ROM.")
    for one in answers.size.said:
        if one.verdict in GRAVE:
            yield _grave(one.sentence)
        elif one in answers.size.amiss:
            yield _mind(one.sentence)
    if identity.has_accessible_max and not identity.has_hidden_area:
        yield _noted(
            "Whether sectors are hidden is not known: it does that in a newer way, which is not asked."
        )
    if lock.is_locked:
        yield _grave(
            "It is locked with a password: no sector can be read until the customer gives it and the drive "
            "is unlocked."
        )
    elif lock.is_enabled:
        yield _mind("A password is set on it. It is open now; once its power is cut it locks.")


def _of_verdict(answers: DriveAnswers) -> Iterator[DriveFinding]:
    health = answers.health
    if health is not None and not health.is_sound:
        yield _mind("The checksum of its counters is wrong; they are left aside.")
        health = None
    failing = () if health is None else health.failing
    if answers.records is Records.FAILING:
        which = "; ".join(f"{_name(one.id)}: {one.current}, limit {one.threshold}" for one in failing)
        yield _grave(
            f"The drive calls itself failing{f' ({which})' if which else ''}. Read it now and once, what is "
            "wanted first."
        )
    for one in () if health is None else health.failed_once:
        yield _mind(
            f"It once counted as failing by {_name(one.id)} (worst {one.worst}, limit {one.threshold})."
        )
    if not answers.identity.has_smart:
        yield _noted("It keeps no records of its health.")
    elif not answers.identity.smart_enabled:
        yield _noted("Its records of its health are switched off; they are left so.")


def _of_temperature(answers: DriveAnswers) -> Iterator[DriveFinding]:
    limits, celsius = answers.limits, answers.celsius
    heat = heat_of(celsius, limits)
    at = f"{celsius} °C (warn {limits.warn}, stop {limits.stop}: {limits.origin})"
    if heat is Heat.TOO_HOT:
        yield _grave(f"It is too hot: {at}. Switch it off and let it cool.")
    elif heat is Heat.HOT:
        yield _mind(f"It is hot: {at}. Cool it with a fan before reading.")
    elif heat is Heat.WARM:
        yield _mind(f"It is warm: {at}. Put a fan on it.")
    elif heat is Heat.FINE:
        yield _noted(f"Temperature: {at}.")


_COUNTERS = (
    (
        smart.PENDING,
        "Sectors that refused to be read and wait to be re-mapped: {}. Read gently, no surface test.",
    ),
    (smart.UNCORRECTABLE, "Sectors found unreadable while it was idle: {}."),
    (smart.REPORTED, "Reads it could not correct and had to refuse: {}."),
    (smart.REMAPPED, "Sectors replaced by spare ones: {}. The surface has worn or been hurt."),
    (smart.TIME_OUTS, "Commands it did not end in time: {}. The cable or its supply may be to blame."),
    (
        smart.SPIN_RETRIES,
        "Tries to spin up that had to be repeated: {}. Check the 12 V supply, then the motor.",
    ),
)
"""What a count above 0 means, the most telling first."""


def _of_counters(health: Health) -> Iterator[DriveFinding]:
    for wanted, words in _COUNTERS:
        count = health.count(wanted)
        if count:
            yield _mind(words.format(count_text(count)))
    if smart.records_of(health, None) is Records.CLEAN:
        yield _noted(
            "None of the five telling counters counts anything. That does not clear the drive: about one in "
            "four that fail had shown none."
        )


def _of_link(answers: DriveAnswers) -> Iterator[DriveFinding]:
    count, before = answers.link_errors, answers.link_errors_before
    if count and before is not None and count > before:
        yield _mind(
            f"Link errors have risen from {count_text(before)} to {count_text(count)} since it was last "
            "asked: change the cable or the adapter, clean the contacts."
        )
    elif count:
        since = "" if before is None else "; as many as when it was last asked, so they are old"
        ask = " Ask again after some reading: only a count that rises tells." if before is None else ""
        yield _noted(f"Link errors: {count_text(count)}{since}.{ask}")


def _of_age(health: Health) -> Iterator[DriveFinding]:
    hours = health.attribute(smart.HOURS)
    if health.hours is not None:
        yield _noted(f"Hours under power: {count_text(health.hours)} ({duration_text(health.hours * 3600)}).")
    elif hours is not None:
        yield _noted(
            f"Hours under power: it counts {count_text(hours.raw_number)} of something else (minutes, half "
            "hours, seconds)."
        )


def _of_logs(answers: DriveAnswers) -> Iterator[DriveFinding]:
    if answers.health is not None and answers.health.self_test is SelfTest.RUNNING:
        yield _mind(
            f"A self-test is running, {answers.health.self_test_left_percent} % to go. It wears the drive; "
            "reading waits behind it."
        )
    if answers.errors is not None and answers.errors.checksum is Checksum.GOOD and answers.errors.total:
        last = answers.errors.errors[:1]
        kind = (
            f"; the last: {last[0].trouble or 'not told'}, at hour {count_text(last[0].hours)}"
            if last
            else ""
        )
        yield _noted(f"It logged {counted(answers.errors.total, 'error')}{kind}.")
    tests = answers.self_tests
    if tests is not None and tests.checksum is Checksum.GOOD and tests.tests:
        newest = tests.tests[0]
        place = "" if newest.failed_at is None else f", at sector {count_text(newest.failed_at)}"
        words = f"Last self-test: {newest.result}{place}, at hour {count_text(newest.hours)}."
        yield _mind(words) if newest.result.value.startswith("failed") else _noted(words)


def _name(wanted: int) -> str:
    return smart.NAMES.get(wanted, f"counter {wanted}")


def _grave(words: str) -> DriveFinding:
    return DriveFinding(Weight.GRAVE, words)


def _mind(words: str) -> DriveFinding:
    return DriveFinding(Weight.MIND, words)


def _noted(words: str) -> DriveFinding:
    return DriveFinding(Weight.NOTED, words)

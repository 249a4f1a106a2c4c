"""Keeps a drive that is being read from getting too hot: warns, pauses until it has cooled, or ends it."""

from __future__ import annotations

import time
from collections.abc import Callable

from mendbay.core.clock import Clock
from mendbay.core.errors import SourceError
from mendbay.core.quantity import duration_text
from mendbay.imaging.ata_answer import How
from mendbay.imaging.ata_command import Question
from mendbay.imaging.ata_page import NotAPage
from mendbay.imaging.identify import DriveIdentity, parse_identify
from mendbay.imaging.sct import parse_sct_status, parse_temperature_statistics
from mendbay.imaging.smart import parse_health
from mendbay.imaging.temperature import (
    ASK_LATEST_SECONDS,
    ASK_SOONEST_SECONDS,
    USUAL,
    Heat,
    HeatLimits,
    Warmth,
    ask_again_after,
    heat_of,
    limits_for,
)
from mendbay.jobs.events import Said, Tell
from mendbay.jobs.ports import DriveLine, Thermometer

READINGS_KEPT = 8
SLICE_SECONDS = 1.0
"""How often a pause looks whether it was stopped by hand."""
SECOND_LOOK_SECONDS = 5.0
"""How long after a reading that would end all a second is taken, with the drive at rest (own choice): one
spoilt page must not end a reading."""
FRESH_SECONDS = ASK_LATEST_SECONDS
"""How old a reading may be to be noted with what is read: a steady drive is asked no sooner, and one whose
temperature moves is asked earlier."""
LONGEST_PAUSE_SECONDS = 1800.0
"""A drive that has not cooled after this long will not by itself (own choice)."""


class DriveThermometer(Thermometer):
    """The temperature by the drive's own word: SCT where it has that, which is one page, else its counters.

    Once a question hung, or nothing is passed on, it stays silent. A drive that never said anything but 0
    degrees does not measure.

    Args:
        line: to the drive.
        open_again: a new line to it, for a drive that was gone; None: the old one serves on.
    """

    def __init__(self, line: DriveLine, open_again: Callable[[], DriveLine] | None = None) -> None:
        self._line = line
        self._open_again = open_again
        self._identity: DriveIdentity | None = None
        self._told_other_than_0 = False
        self.limits: HeatLimits = USUAL
        self.why_silent = ""

    def begin_anew(self) -> None:
        self._identity, self._told_other_than_0, self.why_silent = None, False, ""
        if self._open_again is None:
            return
        self._line.close()
        try:
            self._line = self._open_again()
        except SourceError as trouble:
            self.why_silent = trouble.what.rstrip(".")

    def celsius(self) -> int | None:
        if self.why_silent:
            return None
        try:
            if self._identity is None:
                self._identity = self._who()
            told = None if self._identity is None else self._told(self._identity)
        except SourceError as trouble:
            self.why_silent = trouble.what.rstrip(".")
            return None
        except NotAPage:
            return None
        self._told_other_than_0 = self._told_other_than_0 or bool(told)
        return told if self._told_other_than_0 else None

    def _who(self) -> DriveIdentity | None:
        raw = self._page(Question.IDENTIFY)
        if raw is None:
            return None
        identity = parse_identify(raw)
        if not (identity.has_smart and identity.smart_enabled):
            self.why_silent = "it keeps no records of its health"
            return None
        if identity.has_logs:
            self._learn_limits()
        return identity

    def _learn_limits(self) -> None:
        raw = self._page(Question.TEMPERATURE_STATISTICS, must=False)
        if raw is not None:
            try:
                self.limits = limits_for(parse_temperature_statistics(raw).highest_made_for)
            except NotAPage:
                return

    def _told(self, identity: DriveIdentity) -> int | None:
        if identity.has_sct:
            raw = self._page(Question.SCT_STATUS, must=False)
            if raw is not None:
                return parse_sct_status(raw).celsius
        raw = self._page(Question.HEALTH)
        if raw is None:
            return None
        health = parse_health(raw)
        return health.celsius if health.is_sound else None

    def _page(self, question: Question, *, must: bool = True) -> bytes | None:
        """The page that answers. Where it must be there and is not passed on, nothing more is asked."""
        if self.why_silent:
            return None
        answer = self._line.ask(question)
        if answer.how is How.GIVEN:
            return answer.data
        if answer.how is How.HUNG or (must and answer.how is How.NOT_PASSED):
            self.why_silent = answer.words
        return None

    def close(self) -> None:
        self._line.close()


class HeatGuard:
    """Watches one drive, which is asked for the first time once it was read for a while. `is_due` is cheap;
    `may_go_on` asks the drive, so no read may be under way then.

    Args:
        wait: sleeps; tests let the time pass.
    """

    def __init__(
        self,
        bay: str,
        thermometer: Thermometer,
        clock: Clock,
        tell: Tell,
        stop: Callable[[], bool],
        wait: Callable[[float], None] = time.sleep,
    ) -> None:
        self._bay = bay
        self._thermometer = thermometer
        self._clock = clock
        self._tell = tell
        self._stop = stop
        self._wait = wait
        self._readings: list[Warmth] = []
        self._due_at: float | None = clock.steady_seconds() + ASK_SOONEST_SECONDS
        self._last = Heat.FINE
        self._is_over = False
        self.fell_silent = False

    def is_due(self) -> bool:
        """Whether the drive is to be asked now."""
        return self._is_over or (self._due_at is not None and self._clock.steady_seconds() >= self._due_at)

    def may_go_on(self) -> bool:
        """Whether reading may go on; waits for a hot drive to cool. Once it may not, it never may again."""
        if self._is_over:
            return False
        heat = self._look_well()
        if heat is Heat.HOT:
            heat = self._pause()
        if self._is_over:
            return False
        if heat is Heat.TOO_HOT:
            return self._end(
                f"was at {self._told()} °C (to stop at {self._limits.stop}: {self._limits.origin})."
            )
        if self._due_at is None:
            why = self._thermometer.why_silent or "its answers hold no temperature"
            does = "does not tell" if self._told() is None else "no longer tells"
            self._say(f"{does} how warm it is: {why}. Feel it now and then, keep a fan on it.")
        elif heat is Heat.WARM and self._last is not Heat.WARM:
            self._say(f"is at {self._told()} °C. Put a fan on it.")
        self._last = heat
        return True

    def begin_anew(self) -> None:
        """Watches on after the drive was gone; it is asked once it was read for a while. A drive that was too
        hot stays left alone."""
        self._thermometer.begin_anew()
        self._readings, self._last = [], Heat.FINE
        self._due_at = self._clock.steady_seconds() + ASK_SOONEST_SECONDS

    @property
    def celsius(self) -> int | None:
        """The last reading while it is no older than `FRESH_SECONDS`; None where the drive gave none."""
        if not self._readings or self._clock.steady_seconds() - self._readings[-1].at_seconds > FRESH_SECONDS:
            return None
        return self._readings[-1].celsius

    def close(self) -> None:
        """Lets go of the drive."""
        self._thermometer.close()

    @property
    def _limits(self) -> HeatLimits:
        return self._thermometer.limits

    def _told(self) -> int | None:
        return next((one.celsius for one in reversed(self._readings) if one.celsius is not None), None)

    def _look(self) -> Heat:
        """One reading, and when the next is due."""
        celsius = self._thermometer.celsius()
        now = self._clock.steady_seconds()
        self._readings = [*self._readings[1 - READINGS_KEPT :], Warmth(now, celsius)]
        again = None if self._thermometer.why_silent else ask_again_after(self._readings, self._limits)
        self._due_at = None if again is None else now + again
        return heat_of(celsius, self._limits)

    def _look_well(self) -> Heat:
        """One reading, and a second before it is believed that the drive is too hot. Where the second says
        nothing, the drive counts as hot: it is left to cool."""
        heat = self._look()
        if heat is not Heat.TOO_HOT:
            return heat
        begun = self._clock.steady_seconds()
        while self._clock.steady_seconds() - begun < SECOND_LOOK_SECONDS:
            if self._stop():
                return Heat.WARM
            self._wait(SLICE_SECONDS)
        again = self._look()
        return Heat.HOT if again is Heat.UNKNOWN else again

    def _pause(self) -> Heat:
        """Waits until the drive is cool enough, and ends it where that cannot be seen; what it is then."""
        limits = self._limits
        self._say(
            f"is at {self._told()} °C. Reading pauses until it is at {limits.resume} °C; put a fan on it."
        )
        begun = self._clock.steady_seconds()
        while self._clock.steady_seconds() - begun < LONGEST_PAUSE_SECONDS:
            if self._due_at is None:
                self.fell_silent = True
                self._end(f"was at {self._told()} °C and no longer tells how warm it is.")
                return Heat.UNKNOWN
            if self._stop():
                return Heat.WARM
            self._wait(SLICE_SECONDS)
            if not self.is_due():
                continue
            heat = self._look_well()
            celsius = self._readings[-1].celsius
            if heat is Heat.TOO_HOT:
                return heat
            if celsius is not None and celsius <= limits.resume:
                took = duration_text(self._clock.steady_seconds() - begun)
                self._say(f"has cooled to {celsius} °C in {took}; reading goes on.")
                return heat
        self._end(f"is still at {self._told()} °C after {duration_text(LONGEST_PAUSE_SECONDS)}.")
        return Heat.HOT

    def _end(self, words: str) -> bool:
        """Says why reading ends for good; whether it may go on, which it may not."""
        self._is_over = True
        self._say(
            f"{words} Reading ends here; what was read is kept. Cut its power, let it cool, put a fan on it."
        )
        return False

    def _say(self, words: str) -> None:
        self._tell(Said(f"The drive in bay {self._bay} {words}"))

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
from mendbay.imaging.temperature import USUAL, Heat, HeatLimits, Warmth, ask_again_after, heat_of, limits_for
from mendbay.jobs.events import Said, Tell
from mendbay.jobs.ports import DriveLine, Thermometer

READINGS_KEPT = 8
SLICE_SECONDS = 1.0
"""How often a pause looks whether it was stopped by hand."""
LONGEST_PAUSE_SECONDS = 1800.0
"""A drive that has not cooled after this long will not by itself (own choice)."""


class DriveThermometer(Thermometer):
    """The temperature by the drive's own word: SCT where it has that, which is one page, else its counters.

    Once a question hung, or nothing is passed on, it stays silent.
    """

    def __init__(self, line: DriveLine) -> None:
        self._line = line
        self._identity: DriveIdentity | None = None
        self.limits: HeatLimits = USUAL
        self.why_silent = ""

    def celsius(self) -> int | None:
        if self.why_silent:
            return None
        try:
            if self._identity is None:
                self._identity = self._who()
            told = None if self._identity is None else self._told(self._identity)
        except SourceError as trouble:
            self.why_silent = trouble.what
            return None
        except NotAPage:
            return None
        return told

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
    """Watches one drive. `is_due` is cheap; `may_go_on` asks the drive, so no read may be under way then.

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
        self._due_at: float | None = clock.steady_seconds()
        self._last = Heat.FINE
        self._is_over = False

    def is_due(self) -> bool:
        """Whether the drive is to be asked now."""
        return self._is_over or (self._due_at is not None and self._clock.steady_seconds() >= self._due_at)

    def may_go_on(self) -> bool:
        """Whether reading may go on; waits for a hot drive to cool. Once it may not, it never may again."""
        if self._is_over:
            return False
        heat = self._look()
        if heat is Heat.HOT:
            heat = self._pause()
        if heat is Heat.TOO_HOT:
            self._is_over = True
            self._say(
                f"was at {self._celsius()} °C (to stop at {self._limits.stop}: {self._limits.origin}). "
                "Reading ends here; what was read is kept. Cut its power, let it cool, put a fan on it."
            )
        elif heat is Heat.WARM and self._last is not Heat.WARM:
            self._say(f"is at {self._celsius()} °C. Put a fan on it.")
        self._last = heat
        return not self._is_over

    def close(self) -> None:
        """Lets go of the drive."""
        self._thermometer.close()

    @property
    def _limits(self) -> HeatLimits:
        return self._thermometer.limits

    def _celsius(self) -> int | None:
        return next((one.celsius for one in reversed(self._readings) if one.celsius is not None), None)

    def _look(self) -> Heat:
        """One reading, and when the next is due."""
        first = not self._readings
        celsius = self._thermometer.celsius()
        now = self._clock.steady_seconds()
        self._readings = [*self._readings[1 - READINGS_KEPT :], Warmth(now, celsius)]
        again = None if self._thermometer.why_silent else ask_again_after(self._readings, self._limits)
        self._due_at = None if again is None else now + again
        if first and celsius is None and self._thermometer.why_silent:
            why = self._thermometer.why_silent
            self._say(f"does not tell how warm it is: {why}. Feel it now and then, keep a fan on it.")
        return heat_of(celsius, self._limits)

    def _pause(self) -> Heat:
        """Waits until the drive is cool enough; what it is then, too hot if it does not cool."""
        limits = self._limits
        self._say(
            f"is at {self._celsius()} °C. Reading pauses until it is at {limits.resume} °C; put a fan on it."
        )
        begun = self._clock.steady_seconds()
        while self._clock.steady_seconds() - begun < LONGEST_PAUSE_SECONDS:
            if self._stop():
                return Heat.WARM
            self._wait(SLICE_SECONDS)
            if not self.is_due():
                continue
            heat = self._look()
            if heat is Heat.UNKNOWN and self._due_at is None:
                break
            celsius = self._readings[-1].celsius
            if heat is Heat.TOO_HOT:
                return heat
            if celsius is not None and celsius <= limits.resume:
                took = duration_text(self._clock.steady_seconds() - begun)
                self._say(f"has cooled to {celsius} °C in {took}; reading goes on.")
                return heat
        self._say("has not cooled, or no longer tells.")
        return Heat.TOO_HOT

    def _say(self, words: str) -> None:
        self._tell(Said(f"The drive in bay {self._bay} {words}"))

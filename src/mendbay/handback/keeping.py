"""How long the shop keeps its copies of a customer's drive: `settings/keeping.toml`, and days.

A keep-until day is the last day on which the copies are kept; from the day after they may go.
"""

from __future__ import annotations

from dataclasses import dataclass
from datetime import date, timedelta

from mendbay.core.errors import BadFormFile, UsageError
from mendbay.core.texts import require_day
from mendbay.core.toml_text import NotToml, parse_toml

DEFAULT_DAYS = 30
"""Days after the hand-back, or the closing of a case without one, for which copies are kept (own choice, no
source): long enough for a customer to look through what came back, or to think again."""
MOST_DAYS = 3660
"""Ten years: more is a slip of the finger."""


@dataclass(frozen=True, slots=True)
class Keeping:
    """
    Args:
        days: for how many days after the hand-back copies are kept, or after the closing of a case without
            one, unless the customer said otherwise or a day is put down.
    """

    days: int = DEFAULT_DAYS


def read_keeping(text: str) -> Keeping:
    """What the shop's own file says; without `days` ours holds.

    Raises:
        BadFormFile: not TOML, an unknown key, or days that are no whole number from 0 to `MOST_DAYS`.
    """
    try:
        raw = parse_toml(text)
    except NotToml as trouble:
        raise BadFormFile(f"settings/keeping.toml {trouble}.", "Put that line right.") from trouble
    unknown = sorted(set(raw) - {"days"})
    if unknown:
        raise BadFormFile(f"settings/keeping.toml has the unknown key {unknown[0][:40]!r}.", "Use days.")
    days = raw.get("days", DEFAULT_DAYS)
    if isinstance(days, bool) or not isinstance(days, int) or not 0 <= days <= MOST_DAYS:
        raise BadFormFile(
            f"settings/keeping.toml has the days {days!r:.40}.", f"Use a whole number from 0 to {MOST_DAYS}."
        )
    return Keeping(days)


def day_after(day: str, days: int) -> str:
    """The day so many days later, both as `2026-12-24`.

    Raises:
        UsageError: no day, or days out of range.
    """
    require_day(day)
    if not 0 <= days <= MOST_DAYS:
        raise UsageError(f"Copies cannot be kept for {days} days.", f"Use 0 to {MOST_DAYS}.")
    return (date.fromisoformat(day) + timedelta(days)).isoformat()


def day_before(day: str) -> str:
    """The day before, as `2026-12-24`.

    Raises:
        UsageError: no day.
    """
    require_day(day)
    return (date.fromisoformat(day) - timedelta(1)).isoformat()


def is_over(keep_until: str, today: str) -> bool:
    """Whether the last day of keeping is behind us; never while no day is put down."""
    return bool(keep_until) and keep_until < today

"""Chances as bars on a log-odds scale: as much as speaks for something, so far it reaches."""

from __future__ import annotations

import math

from markupsafe import Markup

from mendbay.core.quantity import chance_text

REACH = math.log(999)
"""Log-odds of either end of the scale: 999 to 1 against, and 999 to 1 for."""


def place_of(chance: float) -> float:
    """Where a chance stands on the scale, from 0 to 100; beyond its ends at them."""
    held = min(max(chance, 1e-12), 1 - 1e-12)
    odds = math.log(held) - math.log1p(-held)
    return round(50 + 50 * min(1.0, max(-1.0, odds / REACH)), 1)


def odds_bar(chance: float, before: float | None = None) -> Markup:
    """A bar for a chance, a line in the middle for even odds, and a notch for what it was before.

    Args:
        before: None if nothing is known of it.
    """
    words = chance_text(chance)
    notch = Markup("")
    if before is not None:
        words += f", was {chance_text(before)}"
        notch = Markup('<path class="was" d="M{0} 0V12"/>').format(place_of(before))
    return Markup(
        '<svg class="odds" viewBox="0 0 100 12" preserveAspectRatio="none" role="img" aria-label="{}">'
        '<rect class="ground" y="2" width="100" height="8"/><rect class="part" y="2" width="{}" height="8"/>'
        '<path class="even" d="M50 0V12"/>{}</svg>'
    ).format(words, place_of(chance), notch)


MARKS = (0.001, 0.01, 0.1, 0.5, 0.9, 0.99, 0.999)
"""Chances that the scale names; `triage.css` says where each stands, as `place_of` does."""


def odds_scale() -> Markup:
    """What stands where on the bars, and how they are to be read."""
    marks = Markup("").join(
        Markup('<span class="at-{}">{}</span>').format(at, f"{100 * one:g} %") for at, one in enumerate(MARKS)
    )
    return Markup(
        '<div class="odds-scale" aria-hidden="true">{}</div><p class="soft">How to read the bars: the line '
        "in the middle is even odds. The scale is logarithmic: from mark to mark the odds grow about "
        "tenfold, so that small chances too can be told apart.</p>"
    ).format(marks)

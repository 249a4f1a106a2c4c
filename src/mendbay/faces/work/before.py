"""What a work tells before it gives a drive power: what nobody asked the customer, and whose time counts.

Cautions are for the person who acts, so the page on which a work is ordered shows them before its button;
told by the work, they would stand among what has happened, when it is too late to heed them.
"""

from __future__ import annotations

from collections.abc import Mapping

from mendbay.faces.reading_caution_words import before_reading
from mendbay.imaging.hazard import Condition
from mendbay.jobs.bench import Bench
from mendbay.jobs.events import Said


def say_before_reading(
    bench: Bench, case: int, sources: Mapping[str, str], said: Mapping[str, Condition | None]
) -> None:
    """Tells what is to be minded before drives are read or asked.

    Args:
        sources: where the drive of each bay is.
        said: by bay, what a person says it is like.
    """
    before = before_reading(bench, case, sources, said)
    for one in before.minds:
        bench.tell(Said(f"Mind: {one}"))
    if before.own_time:
        bench.tell(Said(before.own_time))

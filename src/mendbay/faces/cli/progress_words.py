"""The line that changes while a job runs: how far it is, how fast, and how long it may still take."""

from __future__ import annotations

from collections.abc import Sequence

from mendbay.core.quantity import bytes_text, count_text, counted, duration_text, percent_text
from mendbay.jobs.events import Phase, ReadingProgress, StepProgress

PHASES = {
    Phase.DESCRIPTION: "descriptions",
    Phase.WANTED: "wanted first",
    Phase.REST: "the rest",
    Phase.WHOLE: "reading",
    Phase.FETCH: "looking",
}
SILENT_SECONDS = 10.0
"""A drive that told nothing for so long is given no speed."""


def step_line(event: StepProgress) -> str:
    """How far a countable step is."""
    if event.in_bytes:
        return f"{event.step}: {bytes_text(event.done)} of {bytes_text(event.total)} {event.now}"
    return f"{event.step} {event.done} of {event.total} {event.now}"


def drives_line(told: Sequence[tuple[ReadingProgress, float]], width: int) -> str:
    """How far the reading of one drive, or of several together, is; within `width` columns as far as the
    labels of the bays allow.

    Args:
        told: what each drive told last, and how many seconds ago.
    """
    parts = _one(told[0][0]) if len(told) == 1 else _several(told)
    while len(_line(parts)) > width and len(parts) > 1:
        parts.remove(max(parts, key=lambda part: part[1]))  # the least needed goes first
    return _line(parts)


Part = tuple[str, int]
"""A part of the line, and how well it can be done without: the higher, the better."""


def _line(parts: Sequence[Part]) -> str:
    return ", ".join(text for text, _ in parts)


def _one(event: ReadingProgress) -> list[Part]:
    head = f"bay {event.bay}, {PHASES[event.phase]}"
    if not _unread(event) and event.tries_left:
        return _retrying(head, [event])
    tried = min(event.read_bytes + event.refused_bytes, event.aim_bytes)
    parts = [
        (f"{head}: {percent_text(tried, event.aim_bytes)}", 0),
        (f"at {bytes_text(event.now.start)}", 4),
    ]
    if event.bytes_per_second >= 1:
        parts.append((f"{bytes_text(int(event.bytes_per_second))}/s", 3))
    if event.seconds_left:
        parts.append((f"{duration_text(event.seconds_left)} left", 1))
    if event.refused_bytes:
        parts.append((f"{bytes_text(event.refused_bytes)} refused", 2))
    return parts


def _several(told: Sequence[tuple[ReadingProgress, float]]) -> list[Part]:
    """The figures of the whole task first, then how fast each drive is."""
    events = [event for event, _ in told]
    head = f"bays {'+'.join(event.bay for event in events)}, {PHASES[events[-1].phase]}"
    if not any(map(_unread, events)) and any(event.tries_left for event in events):
        return _retrying(head, events)
    speeds = [0 if age > SILENT_SECONDS else int(event.bytes_per_second) for event, age in told]
    parts = [(f"{head}: {percent_text(*_done_of(events))}", 0)]
    for event, speed in zip(events, speeds, strict=True):
        if speed:
            parts.append((f"{event.bay}: {bytes_text(speed)}/s", 3))
    seconds = _seconds_left(events, sum(speeds))
    if seconds:
        parts.append((f"{duration_text(seconds)} left", 1))
    refused = sum(event.refused_bytes for event in events)
    if refused:
        parts.append((f"{bytes_text(refused)} refused", 2))
    return parts


def _retrying(head: str, events: Sequence[ReadingProgress]) -> list[Part]:
    """What is still done when everything was asked for once."""
    sectors = sum(event.retrying_sectors for event in events)
    tries = sum(event.tries_left for event in events)
    parts = [
        (f"{head}: retrying {counted(sectors, 'sector')}", 0),
        (f"about {count_text(tries)} {'try' if tries == 1 else 'tries'} left", 1),
    ]
    seconds = max((event.seconds_left or 0.0 for event in events), default=0.0)
    if seconds:
        parts.append((duration_text(seconds), 2))
    return parts


def _unread(event: ReadingProgress) -> int:
    """How much was not asked for yet."""
    return max(0, event.aim_bytes - event.read_bytes - event.refused_bytes)


def _done_of(events: Sequence[ReadingProgress]) -> tuple[int, int]:
    """How many bytes of the task were read or refused, and how many it has. Drives that share one task count
    each of its places once; one that told last knows best what the other gave."""
    if all(event.is_shared for event in events):
        best = max(events, key=lambda event: event.read_bytes + event.elsewhere_bytes)
        done, whole = best.read_bytes + best.elsewhere_bytes, best.aim_bytes + best.elsewhere_bytes
    else:
        done = sum(event.read_bytes + event.refused_bytes for event in events)
        whole = sum(event.aim_bytes for event in events)
    return min(done, whole), whole


def _seconds_left(events: Sequence[ReadingProgress], speed: int) -> float | None:
    """How long the task may still take; None where nothing tells."""
    if all(event.is_shared for event in events):
        return min(map(_unread, events)) / speed if speed else None
    known = [event.seconds_left for event in events if _unread(event)]
    return None if None in known else max((one for one in known if one is not None), default=None)

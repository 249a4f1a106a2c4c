"""What of a drive is not in its image, range by range, with what is known of why."""

from __future__ import annotations

from collections.abc import Iterator, Mapping, Sequence
from dataclasses import dataclass, replace

from mendbay.core.coverage import Condition, Coverage, Stretch
from mendbay.core.layers import topmost
from mendbay.core.span import Span
from mendbay.imaging.trouble import Trouble


@dataclass(frozen=True, slots=True)
class Refusal:
    """A read that was not given: of what, in which run, why, and when (UTC).

    `error` is the system's name of the error; `celsius` the drive's temperature, None where not measured.
    """

    span: Span
    run: int
    seconds: float
    error: str
    trouble: Trouble
    at: str
    celsius: float | None = None


@dataclass(frozen=True, slots=True)
class Lacking:
    """A range that is not read.

    `tries` says how often each of its sectors was refused alone, or with its physical sector. The rest is
    that of the last refused read that held it, whatever its length; `trouble` is None, and the texts are
    empty, if there was none. `at` is the latest time where sectors that are alike in everything else make one
    range, `celsius` the highest temperature.
    """

    span: Span
    condition: Condition
    tries: int
    trouble: Trouble | None = None
    error: str = ""
    at: str = ""
    adapter: str = ""
    celsius: float | None = None


def lacking(
    coverage: Coverage, refusals: Sequence[Refusal], adapters: Mapping[int, str]
) -> tuple[Lacking, ...]:
    """Every range that is not read, from first to last.

    Args:
        refusals: every read that was not given, oldest first.
        adapters: of each run.
    """
    layers = topmost([(one.span.start, one.span.stop) for one in refusals])
    found: list[Lacking] = []
    at = 0
    for stretch in coverage.stretches():
        if stretch.condition is Condition.READ:
            continue
        while at < len(layers) and layers[at][0].stop <= stretch.span.start:
            at += 1
        for span, refusal in _cut(stretch, layers, at, refusals):
            one = Lacking(span, stretch.condition, stretch.tries)
            if refusal is not None:
                one = replace(
                    one,
                    trouble=refusal.trouble,
                    error=refusal.error,
                    at=refusal.at,
                    adapter=adapters[refusal.run],
                    celsius=refusal.celsius,
                )
            if found and _alike(found[-1], one):
                found[-1] = _joined(found[-1], one)
            else:
                found.append(one)
    return tuple(found)


def _cut(
    stretch: Stretch, layers: Sequence[tuple[Span, int]], at: int, refusals: Sequence[Refusal]
) -> Iterator[tuple[Span, Refusal | None]]:
    """The stretch cut where another refusal begins to speak of it, `layers[at]` being the first that may."""
    place = stretch.span.start
    while place < stretch.span.stop:
        if at == len(layers) or layers[at][0].start >= stretch.span.stop:
            yield Span(place, stretch.span.stop), None
            return
        span, index = layers[at]
        if place < span.start:
            yield Span(place, span.start), None
            place = span.start
        stop = min(span.stop, stretch.span.stop)
        yield Span(place, stop), refusals[index]
        place = stop
        at += 1


def _alike(one: Lacking, other: Lacking) -> bool:
    return one.span.stop == other.span.start and (
        one.condition,
        one.tries,
        one.trouble,
        one.error,
        one.adapter,
        one.at == "",
    ) == (other.condition, other.tries, other.trouble, other.error, other.adapter, other.at == "")


def _joined(one: Lacking, other: Lacking) -> Lacking:
    measured = [each.celsius for each in (one, other) if each.celsius is not None]
    return replace(
        one,
        span=Span(one.span.start, other.span.stop),
        at=max(one.at, other.at),
        celsius=max(measured, default=None),
    )

"""What is said before a work gives a drive power: the cautions, and what nobody asked the customer yet."""

from __future__ import annotations

from collections.abc import Iterator, Mapping

from mendbay.core.cautions import cautions_for
from mendbay.faces.reading_caution_words import CLICKS, DRIVE, BeforeReading, before_reading
from mendbay.imaging.hazard import Condition
from mendbay.jobs.bench import Bench
from mendbay.jobs.events import Said


def say_before_reading(
    bench: Bench, case: int, sources: Mapping[str, str], said: Mapping[str, Condition | None]
) -> None:
    """Tells what is to be minded before drives are read or asked, the same that the command line says.

    Args:
        sources: where the drive of each bay is.
        said: by bay, what a person says it is like.
    """
    for sentence in _sentences(before_reading(bench, case, sources, said)):
        bench.tell(Said(sentence))


def _sentences(before: BeforeReading) -> Iterator[str]:
    yield from (f"Mind: {one}" for one in before.minds)
    if before.is_known:
        yield from (f"CAUTION as before: {one.title}." for one in cautions_for(DRIVE))
    elif before.drive:
        yield from _cautions(DRIVE)
    if before.clicks:
        yield from _cautions(CLICKS)
    if before.own_time:
        yield before.own_time


def _cautions(ids: tuple[str, ...]) -> Iterator[str]:
    cautions = cautions_for(ids)
    yield from (f"CAUTION, {one.title}: {one.text}" for one in cautions)
    yield cautions[0].deferral

"""What the ledger says of the images of a case: how much of each drive was read, refused, waived, unread.

What a drive read as one of two left to the other half of a mirror is not unread (docs/decisions/0094). It is
worked out from what the images hold now: what speaks against one image opens what the other had left to it.
"""

from __future__ import annotations

from collections.abc import Iterator, Mapping
from contextlib import ExitStack, contextmanager
from dataclasses import replace

from mendbay.case.records import Case, Image
from mendbay.core.coverage import Condition
from mendbay.core.errors import MendbayError
from mendbay.core.span import SpanSet
from mendbay.jobs.bench import Bench
from mendbay.jobs.other_half import found_differing, left_to_other, read_as_one_task
from mendbay.jobs.ports import ImageStore
from mendbay.jobs.volume import open_volume, sources_of

_NOTHING = SpanSet()


def note_image(bench: Bench, number: int, bay: str, store: ImageStore, left: SpanSet = _NOTHING) -> None:
    """Puts an image's present figures into the ledger, and what follows from them for the other half.

    Args:
        left: what this drive left to the other half, where a reading of both still knows it; else, if they
            were ever read as one task, it is worked out from the images, as what the other half left is.
    """
    if not read_as_one_task(bench, number):
        bench.ledger.note_image(_figures_of(bench, number, bay, store, left))
        return
    with _looked_at(bench, number, bay, store, busy_too=not left) as stores:
        lefts = _left(bench, number, stores)  # may read much: before anybody has to wait for the ledger
        mine = _figures_of(bench, number, bay, store, left or lefts.get(bay, _NOTHING))
        theirs = [
            _other_figures(bench, number, other, its, lefts.get(other, _NOTHING))
            for other, its in stores.items()
            if other != bay
        ]
        with bench.ledger.together():
            for image in (mine, *theirs):
                if image is not None:
                    bench.ledger.note_image(image)


def left_of(bench: Bench, number: int, bay: str, store: ImageStore) -> SpanSet:
    """What of a drive is unread because the other half of a mirror gave it; nothing if the two were never
    read as one task.

    Args:
        store: the image of `bay`, open.
    """
    if not read_as_one_task(bench, number):
        return _NOTHING
    with _looked_at(bench, number, bay, store) as stores:
        return _left(bench, number, stores).get(bay, _NOTHING)


def _figures_of(bench: Bench, number: int, bay: str, store: ImageStore, left: SpanSet) -> Image:
    coverage = store.coverage()
    runs = store.runs()
    return Image(
        case=number,
        bay=bay,
        path=store.path.name,
        adapter=runs[-1].adapter if runs else "",
        started_at=runs[0].started_at if runs else bench.now(),
        finished_at=bench.now(),
        read_bytes=coverage.total_bytes(Condition.READ),
        refused_bytes=coverage.total_bytes(Condition.REFUSED),
        waived_bytes=coverage.total_bytes(Condition.WAIVED),
        unread_bytes=(coverage.unread - left).total_bytes,
        sha256=store.digest(compute=False),
    )


@contextmanager
def _looked_at(
    bench: Bench, number: int, bay: str, store: ImageStore, *, busy_too: bool = True
) -> Iterator[dict[str, ImageStore]]:
    """All images of a case that can be looked at, by bay; `store` is the one of `bay`, open already.

    Args:
        busy_too: also those that are being added to.
    """
    case = bench.ledger.case(number)
    stores: dict[str, ImageStore] = {}
    with ExitStack() as stack:
        for one in bench.ledger.bays(number):
            if one.bay == bay:
                stores[bay] = store
            elif bench.images.exists(case, one.bay) and (busy_too or not _is_busy(bench, case, one.bay)):
                try:
                    stores[one.bay] = bench.images.reopen(case, one.bay, writable=False)
                except MendbayError:
                    continue  # what cannot be looked at stands for nothing, and its figures stay
                stack.callback(stores[one.bay].close)
        yield stores


def _left(bench: Bench, number: int, stores: Mapping[str, ImageStore]) -> Mapping[str, SpanSet]:
    """By bay, what was left to the other half; nothing where the images make no mirror."""
    if len(stores) < 2 or found_differing(bench, number):
        return {}
    try:
        sources = sources_of(stores)
        return left_to_other(sources, stores, open_volume(sources))
    except MendbayError:
        return {}


def _other_figures(bench: Bench, number: int, bay: str, store: ImageStore, left: SpanSet) -> Image | None:
    """The figures of the other half with what is unread there now; None if they stay. An image that is being
    added to is left alone: whoever adds to it notes its figures at the end."""
    case = bench.ledger.case(number)
    noted = next((one for one in bench.ledger.images(number, bay) if one.path == store.path.name), None)
    if noted is None or _is_busy(bench, case, bay):
        return None
    unread = (store.coverage().unread - left).total_bytes
    return None if unread == noted.unread_bytes else replace(noted, unread_bytes=unread)


def _is_busy(bench: Bench, case: Case, bay: str) -> bool:
    """Whether an image is being added to, or not there to be looked at."""
    glance = bench.images.glance(case, bay)
    return glance is None or glance.busy

"""What the images of a case tell of its adapters: odds for a reading, and which is worth trying next."""

from __future__ import annotations

from mendbay.core.errors import MendbayError
from mendbay.core.quantity import count_text, counted
from mendbay.imaging.adapter_odds import (
    AdapterOdds,
    AdapterRecord,
    Counts,
    Pair,
    Sitting,
    WorthTrying,
    together,
    worth_trying,
)
from mendbay.imaging.adapters import adapter_key
from mendbay.imaging.trouble import Trouble
from mendbay.jobs.bench import Bench
from mendbay.jobs.ports import ImageStore


def odds_for(bench: Bench, number: int, bay: str, store: ImageStore) -> AdapterOdds | None:
    """The chances of what only other adapters refused, by sector, for the run that has begun on an image;
    None where there is no such sector."""
    present = adapter_key(store.runs()[-1].adapter)
    here = store.coverage_here()
    starts = here.refused_starts[here.refused_tries == 0]
    if not present or not starts.size:
        return None
    record = record_of(store)
    sector = store.identity.sector_bytes
    refused_by = dict(zip((starts // sector).tolist(), record.refused_by(starts), strict=True))
    counts, _ = _of_case(bench, number, bay, record)
    return AdapterOdds(present, counts, refused_by)


def what_is_worth_trying(bench: Bench, number: int, bay: str, store: ImageStore) -> tuple[WorthTrying, ...]:
    """The adapters of which something may be expected of the sectors that are refused now; none where the
    present one was not named, since it may have been any."""
    present = adapter_key(store.runs()[-1].adapter)
    starts = store.coverage().refused_starts
    if not present or not starts.size:
        return ()
    record = record_of(store)
    counts, names = _of_case(bench, number, bay, record)
    return worth_trying(record.refused_by(starts), counts, names, present)


def worth_trying_words(one: WorthTrying) -> str:
    """What may be expected of another adapter, in a sentence or two."""
    assumed = "nothing is counted yet; one in ten is assumed, no source"
    told = f"in this case it gave {count_text(one.given)} of {counted(one.asked, 'sector')} refused like them"
    expected = f"about {count_text(round(one.expected))} of the {counted(one.sectors, 'refused sector')}"
    if not one.adapter:
        return (
            "No other adapter was named for the drives of this case. Another one, or another cable, may give "
            f"{expected} ({assumed})."
        )
    return f"Through the adapter “{one.adapter}” {expected} may come ({told if one.asked else assumed})."


def record_of(store: ImageStore) -> AdapterRecord:
    """What the log of an image tells of its adapters. A read over which the drive vanished is no refusal of
    theirs."""
    sittings = [Sitting(run.number, run.adapter, run.started_at) for run in store.runs()]
    refusals = [one for one in store.refusals() if one.trouble is not Trouble.GONE]
    drive = store.identity
    named = {adapter_key(one.adapter) for one in sittings} - {""}
    given = store.given_by_run() if len(named) > 1 else {}  # of one alone nothing can be held against another
    return AdapterRecord(sittings, refusals, given, drive.sector_bytes, drive.unit_bytes)


def _of_case(
    bench: Bench, number: int, bay: str, record: AdapterRecord
) -> tuple[dict[Pair, Counts], dict[str, str]]:
    """Counts and names of adapters of all images of a case, `record` being that of one bay. An image that
    cannot be looked at teaches nothing."""
    records = [record]
    case = bench.ledger.case(number)
    for other in bench.ledger.bays(number):
        if other.bay == bay or not bench.images.exists(case, other.bay):
            continue
        try:
            store = bench.images.reopen(case, other.bay, writable=False)
        except MendbayError:
            continue
        try:
            records.append(record_of(store))
        finally:
            store.close()
    names: dict[str, str] = {}
    for one in records:
        names = {**one.names, **names}
    return together(one.counts() for one in records), names

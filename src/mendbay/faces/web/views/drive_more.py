"""What else is done with one drive or its image: asked, compared, verified, blended, set aside."""

from __future__ import annotations

from collections.abc import Iterator, Mapping, Sequence
from pathlib import Path
from typing import TYPE_CHECKING, Any

from mendbay.core.errors import UsageError
from mendbay.faces.web.addresses import Book
from mendbay.faces.web.answers import Answer, Go
from mendbay.faces.web.asked_field import CUSTOMER_ASKED
from mendbay.faces.web.case_works import order_work
from mendbay.faces.web.fields import decimal, line, several, text
from mendbay.faces.web.reading_form import (
    ALTHOUGH,
    although_said,
    asked_said,
    place,
    place_said,
    speaks_against,
)
from mendbay.faces.web.views.drives import image_said
from mendbay.faces.web.visit import Visit
from mendbay.jobs.ask_drive import InCase, foresee_asking
from mendbay.jobs.blend_images import foresee_blending
from mendbay.jobs.imaging_record import image_of
from mendbay.jobs.power_permit import foresee_reading
from mendbay.jobs.read_drive import foresee_drives
from mendbay.jobs.set_aside import set_aside
from mendbay.jobs.work_port import JSON, WorkKind

if TYPE_CHECKING:
    from mendbay.jobs.bench import Bench

BOOK = Book()
BAY = "/case/{case:int}/drives/{bay}"
IMAGES_LIMIT = 8000


def _options(visit: Visit, *names: str) -> dict[str, JSON]:
    said: Mapping[str, Any] = visit.said
    return {"bay": visit.path["bay"], **{name: said[name] for name in names if said[name]}}


def _place(visit: Visit) -> str:
    where = place_said(visit.said)
    if not where:
        raise UsageError("No drive is named.", "Choose one from the list, or write its path.")
    return where


def _require_same_against(visit: Visit, bench: Bench, *, reading: bool) -> None:
    against = speaks_against(bench, visit.path["case"], [visit.path["bay"]], reading=reading)
    visit.require_unchanged(
        "what speaks against giving it power", "reading" if reading else "power", *against
    )


def _back(visit: Visit, notice: str) -> Go:
    return visit.go("drives", notice, {"bay": visit.path["bay"]})


def _image_said(bench: Bench, case: int, bay: str) -> tuple[object, ...]:
    store = image_of(bench, case, bay, writable=False)
    try:
        return image_said(store.identity, store.runs())
    finally:
        store.close()


@BOOK.change(
    BAY + "/facts",
    "drive-facts",
    "Asks a drive about itself.",
    [*place(), line("label", "Capacity on its label"), *ALTHOUGH[:2], CUSTOMER_ASKED],
)
def facts(visit: Visit) -> Answer:
    said, in_case = visit.said, InCase(visit.path["case"], visit.path["bay"], although_said(visit.said))
    where = _place(visit)
    with visit.bench() as bench:
        _require_same_against(visit, bench, reading=False)
        foresee_asking(bench, where, in_case, said["label"])
        options = _options(visit, "label", "although_refused", "although_harmful") | {"source": where}
        options |= asked_said(said)
        order_work(visit, bench, WorkKind.ASK_DRIVE, options)
    return _back(visit, "The drive is asked about itself.")


@BOOK.change(
    BAY + "/compare",
    "drive-compare",
    "Reads a drive once more and compares it with its image.",
    [
        *place(),
        line("adapter", "What it hangs on this time (adapter)"),
        decimal("minutes", "Minutes it may take"),
        *ALTHOUGH,
        CUSTOMER_ASKED,
    ],
)
def compare(visit: Visit) -> Answer:
    case, bay, where = visit.path["case"], visit.path["bay"], _place(visit)
    with visit.bench() as bench:
        _require_same_against(visit, bench, reading=True)
        image_of(bench, case, bay, writable=False).close()  # without one there is nothing to compare with
        foresee_drives(bench, case, [(bay, where)])
        foresee_reading(bench, case, [bay], although_said(visit.said))
        options = _options(visit, "adapter", "minutes", *(one.name for one in ALTHOUGH)) | {"source": where}
        options |= asked_said(visit.said)
        order_work(visit, bench, WorkKind.COMPARE_DRIVE, options)
    return _back(visit, "The drive is read once more and compared.")


@BOOK.change(
    BAY + "/verify",
    "drive-verify",
    "Holds an image against the digests noted while it was read.",
    [line("read_again", "Why what is found wrong is to be read again")],
)
def verify(visit: Visit) -> Answer:
    with visit.bench() as bench:
        image_of(bench, visit.path["case"], visit.path["bay"], writable=False).close()
        order_work(visit, bench, WorkKind.VERIFY_IMAGE, _options(visit, "read_again"))
    return _back(visit, "The image is held against the digests noted while it was read.")


@BOOK.change(
    BAY + "/blend",
    "drive-blend",
    "Takes over into an image what other images of the same drive hold.",
    [
        several("asides", "Images of this bay that were set aside"),
        text("images", "Other images of this drive, a path on each line", limit=IMAGES_LIMIT),
        line("although_other_case", "Why also from the folder of another case"),
    ],
)
def blend(visit: Visit) -> Answer:
    case, bay, said = visit.path["case"], visit.path["bay"], visit.said
    with visit.bench() as bench:
        found = [*_asides_chosen(bench, case, bay, said["asides"]), *_images_written(said["images"])]
        if not found:
            raise UsageError("No image is named.", "Choose one that was set aside, or write a path.")
        foresee_blending(bench, case, bay, found, said["although_other_case"])
        options = _options(visit, "although_other_case") | {"images": [str(one) for one in found]}
        order_work(visit, bench, WorkKind.BLEND_IMAGES, options)
    return _back(visit, "What the other images hold besides is taken over.")


def _asides_chosen(bench: Bench, case: int, bay: str, names: Sequence[str]) -> Iterator[Path]:
    found = bench.ledger.case(case)
    there = bench.images.asides(found, bay)
    for name in names:
        if name not in there:
            raise UsageError(f"Bay {bay} has no image {name[:40]} set aside.", "Load the page again.")
        yield (bench.images.folder(found) / name).absolute()


def _images_written(lines: str) -> Iterator[Path]:
    for one in filter(None, map(str.strip, lines.splitlines())):
        if not Path(one).is_absolute():
            raise UsageError(f"{one[:60]} is not named from the root on.", "Name it with its whole path.")
        yield Path(one)


@BOOK.change(
    BAY + "/set-aside",
    "drive-set-aside",
    "Sets an image aside, as it is of another drive.",
    [line("reason", "Why it is set aside, without the customer's name", required=True)],
)
def aside(visit: Visit) -> Answer:
    case, bay = visit.path["case"], visit.path["bay"]
    with visit.bench() as bench, bench.ledger.together():
        if visit.seen:
            visit.require_unchanged(f"the image of bay {bay}", *_image_said(bench, case, bay))
        done = set_aside(bench, case, bay, visit.said["reason"])
    return visit.go("drives", f"The image of bay {visit.path['bay']} is kept as {done.name}.")

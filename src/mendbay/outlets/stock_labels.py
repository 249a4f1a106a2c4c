"""Labels for donor stock.

The code is the plain text `mendbay:stock:000123`; in writing stand the item's number, the shop's own id, the
board number, the place and whatever makes the item unfit as a donor.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass

from mendbay.board.stock import Condition, Kind, StockItem, label_text
from mendbay.outlets.label_sheet import Label, LabelSheets, sheets_pdf, sheets_pictures
from mendbay.outlets.own_fonts import OwnFonts
from mendbay.outlets.typesetting import Paper

TITLE = "Donor stock"


@dataclass(frozen=True, slots=True)
class LabelJob:
    """What to print.

    Args:
        items: one label each, in this order; every item must have its number.
        paper: the size of the sheets.
        skip: how many places of the first sheet are used up already, counted by rows.

    Raises:
        UsageError: no items or too many, one without a number, or more places skipped than a sheet has.
    """

    items: Sequence[StockItem]
    paper: Paper = Paper.A4
    skip: int = 0

    def __post_init__(self) -> None:
        self.sheets()

    def sheets(self) -> LabelSheets:
        return LabelSheets([_label(one) for one in self.items], TITLE, self.paper, self.skip)


def labels_pdf(job: LabelJob, fonts: OwnFonts | None = None) -> bytes:
    """The sheets as one PDF; its bytes depend on the job and the fonts alone.

    Raises:
        BadFormFile: the shop's own fonts cannot be used.
        MendbayError: the typesetter refused, which is a defect here.
    """
    return sheets_pdf(job.sheets(), fonts)


def labels_pictures(job: LabelJob, pixels_per_inch: int = 150) -> list[bytes]:
    """The same sheets as one PNG each, to look at before printing.

    Raises:
        MendbayError: the typesetter refused, which is a defect here.
    """
    return sheets_pictures(job.sheets(), pixels_per_inch)


def _label(item: StockItem) -> Label:
    of = item.description
    kind = "Donor drive" if item.kind is Kind.DRIVE else ""
    revision = f"rev {of.revision}" if of.revision and "rev" not in of.revision.casefold() else of.revision
    detail = ", ".join(one for one in (kind, revision, of.model if item.kind is Kind.DRIVE else "") if one)
    warning = {Condition.DAMAGED: "Damaged", Condition.ROM_MISSING: "ROM missing"}.get(item.condition, "")
    return Label(
        code=label_text(item.number),
        number=f"{item.number:06d}",
        main=of.board_number or "board number not known",
        mark=item.own_id,
        warning=warning,
        lines=(detail, item.location),
    )

"""Labels for the things of a case.

The code is the plain text `mendbay:case:0007-01`. In writing stand the same code, what the thing is and the
marks on it; no person is named, because labels travel with the thing.
"""

from __future__ import annotations

from collections.abc import Sequence

from mendbay.case.items import Item, Owner, label_text
from mendbay.outlets.label_sheet import Label, LabelSheets
from mendbay.outlets.typesetting import Paper

WARNINGS = {Owner.SHOP: "Of the shop", Owner.LENT: "Lent by the shop"}


def item_sheets(items: Sequence[Item], paper: Paper = Paper.A4, skip: int = 0) -> LabelSheets:
    """The sheets to print: a label each, in this order.

    Args:
        skip: how many places of the first sheet are used up already, counted by rows.

    Raises:
        UsageError: no items or too many, or more places skipped than a sheet has.
    """
    return LabelSheets([_label(one) for one in items], "Case items", paper, skip)


def _label(item: Item) -> Label:
    bay = f"bay {item.bay}" if item.bay and item.words else ""
    return Label(
        code=label_text(item),
        number=item.code,
        main=item.named[:1].upper() + item.named[1:],
        warning=WARNINGS.get(item.owner, ""),
        lines=(bay, *_lines(item.marks)),
    )


def _lines(marks: str, most: int = 30) -> list[str]:
    """The marks on two lines at most, broken between words where that is possible."""
    if len(marks) <= most:
        return [marks]
    cut = marks.rfind(" ", 0, most + 1)
    at = cut if cut > 0 else most
    return [marks[:at].strip(), marks[at:].strip()]

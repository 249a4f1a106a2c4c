"""What forgetting a case removes, keeps and cannot reach, in the words of the bench, for every face."""

from __future__ import annotations

from collections.abc import Callable

from mendbay.core.quantity import bytes_text, counted
from mendbay.faces.saving_words import copies_words
from mendbay.jobs.forget_case import ForgetPlan
from mendbay.jobs.save_shop import LastSave

OUT_OF_REACH = (
    "backups of the ledger and of the case's folder",
    "papers that were printed, and messages that were sent",
    "the copies, exports and receipts that the customer has",
    "pictures of the case that a browser keeps for a day",
    "what was learned: odds, misread characters, families, counts of lessons",
    "files are removed, not overwritten: erasing them by a plan first overwrites and certifies",
)
"""What forgetting cannot reach or leaves on purpose, whatever the case."""
BILLS = "If the law asks you to keep bills, print them or export the case first."


def out_of_reach(last: LastSave | None) -> tuple[str, ...]:
    """What forgetting cannot reach or leaves on purpose.

    Args:
        last: the last copy of the shop.
    """
    copies = copies_words(last)
    return (copies, *OUT_OF_REACH) if copies else OUT_OF_REACH


def going(plan: ForgetPlan, name: Callable[[str], str]) -> list[str]:
    """What would be removed for good, as the ends of sentences.

    Args:
        name: makes the name of a folder fit to be shown.
    """
    found = ["the customer's name and contact, what came in, the wishes, the remarks"]
    if plan.bays:
        bays = ", ".join(one.bay for one in plan.bays)
        found.append(f"serial number and condition of each drive (bays {bays})")
    rows = (
        (plan.entries, "what custody tells", "row"),
        (plan.events, "the story", "row"),
        (plan.images, "the figures of images", "row"),
    )
    found += [f"{what}: {counted(count, one)}" for count, what, one in rows if count]
    for folder, (files, size) in plan.by_folder.items():
        where = "the case's folder itself" if folder == "." else f"its folder {name(folder)}"
        found.append(f"{counted(files, 'file')} in {where}, {bytes_text(size)}")
    found += [
        f"{counted(one.going, 'note')} of the kind {one.kind}: {one.why}"
        if not one.staying
        else f"{counted(one.going, 'note')} of the kind {one.kind} that would name a drive"
        for one in plan.notes
        if one.going
    ]
    return found


def staying(plan: ForgetPlan) -> list[str]:
    """What would be kept, as the ends of sentences."""
    found = [
        "number, kind and days of the case; labels, models and sizes of its bays",
        "how many entries the custody log had, and its head",
    ]
    found += [
        f"{counted(one.staying, 'note')} of the kind {one.kind}, without free words: {one.why}"
        for one in plan.notes
        if one.staying
    ]
    if plan.stock:
        found.append(f"items of the stock with the case's number: {', '.join(map(str, plan.stock))}")
    return found

"""What a customer should do with a hand-back, from its facts."""

from __future__ import annotations

from collections.abc import Sequence

from mendbay.core.loss_odds import unreadable_chance
from mendbay.core.quantity import chance_text
from mendbay.handback.facts import BayFacts, FileFacts
from mendbay.handback.words import counted, day, grouped

WORTH_TELLING_BYTES = 500_000_000_000
"""Size of a drive from which a full read is likely enough to meet a bad place to say so (own choice)."""


def advice_for(
    files: Sequence[FileFacts],
    bays: Sequence[BayFacts],
    level: str = "",
    keep_until: str = "",
    not_chosen: int = 0,
) -> tuple[str, ...]:
    """Sentences of advice, the most pressing first.

    Args:
        files, bays: as in the report.
        level: how the drives belonged together (`mirror`, …), empty if they did not.
        keep_until: the day to which the shop keeps its images, empty for none.
        not_chosen: how many more files were found, and were not asked for.
    """
    said = [
        "Make a second copy of this folder on another medium today, and keep it in another place. "
        "One copy is not a backup."
    ]
    named = [one for one in files if one.verdict != "whole"]
    doubtful = [one for one in named if one.path]
    if doubtful:
        one_of_them = "it" if len(doubtful) == 1 else "one of them"
        which = f"Open the {counted(len(doubtful), 'file')} named under “What needs your attention” first"
        if len(doubtful) < len(named):
            copies = "one that has" if len(doubtful) == 1 else f"{grouped(len(doubtful))} that have"
            which = (
                f"Of the {counted(len(named), 'file')} named under “What needs your attention” first open "
                f"the {copies} a copy"
            )
        said.append(f"{which}, and tell us soon if {one_of_them} is not what you need.")
    if not_chosen:
        them = "it" if not_chosen == 1 else "any of them"
        said.append(
            f"Only a selection is in this folder: {counted(not_chosen, 'more file')} on your drives "
            f"{'was' if not_chosen == 1 else 'were'} found and not copied. If you need {them}, tell us now."
        )
    if keep_until:
        said.append(
            f"We keep what we read from your drives until {day(keep_until)}. Tell us before then if anything "
            "is missing; after that day it is erased."
        )
    if bays:
        many = len(bays) > 1
        said.append(
            f"Do not put the old {'drives' if many else 'drive'} back to use, not even for a short while: a "
            "drive that has failed once fails again, and reading it further can destroy what is left."
        )
    if level == "mirror":
        said.append(
            "A mirror of two drives protects against one failing drive. It does not protect against a "
            "mistake, a theft, a fire, or a half that falls behind unnoticed: check its state every month."
        )
        largest = max((one.size_bytes for one in bays), default=0)
        if largest >= WORTH_TELLING_BYTES:
            said.append(
                "When one of two new drives of that size fails, the other is read from end to end to build "
                f"the mirror anew; with {chance_text(unreadable_chance(largest))} at least one place of it "
                "cannot be read then (at one error in 10^14 bits, as makers state it). A backup beside the "
                "mirror covers that."
            )
    return tuple(said)

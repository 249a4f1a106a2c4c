"""What a check of a custody log found, in the words of the bench, for every face."""

from __future__ import annotations

from mendbay.case.custody import CustodyCheck


def check_text(check: CustodyCheck) -> str:
    """Whether a log holds, in a sentence."""
    if check.is_disputed:
        return "The custody log and the notes differ; mendbay case custody says in what."
    if check.holds:
        count = f"{check.entries} entry" if check.entries == 1 else f"{check.entries} entries"
        return f"The custody log holds: {count}, each chained to the one before."
    return "The custody log does NOT hold; mendbay case custody says where."


def anchor_text(check: CustodyCheck) -> str:
    """What a receipt's head proves of a log that holds, or what is open without one."""
    if check.anchored:
        return "The receipt's head stands in it: nothing up to there was changed or left out."
    return "Without a receipt's head nobody can tell whether entries are missing at the end."


def compare_text(other: str, receipt: str) -> str:
    """What to do with a log that does not hold.

    Args:
        other: what it can be compared with beside the receipt.
        receipt: the head as it was typed; empty if none was.
    """
    if receipt.strip():
        return (
            "Compare what was typed with the paper, digit by digit; if it is as printed, compare the log "
            f"with {other}."
        )
    return f"Compare it with the customer's receipt and {other}."

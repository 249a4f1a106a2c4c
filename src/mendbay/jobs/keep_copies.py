"""Until when the shop keeps its copies of a case, and what it still holds."""

from __future__ import annotations

import json
from collections.abc import Mapping
from dataclasses import dataclass

from mendbay.case.records import Case, CaseState, Facts
from mendbay.case.take_in_form import NOT_KNOWN
from mendbay.core.errors import LedgerError, UsageError
from mendbay.core.note import NoteKind
from mendbay.core.quantity import counted
from mendbay.core.texts import require_day
from mendbay.handback.erasure import Sort, is_leftover, sort_of
from mendbay.handback.keeping import Keeping, day_after, day_before, is_over, read_keeping
from mendbay.jobs.bench import Bench
from mendbay.jobs.erasure_port import Copies
from mendbay.jobs.remembered import remembered
from mendbay.jobs.told_days import require_not_before_told
from mendbay.jobs.withdraw import standing_notes

HAND_BACK = "hand-back"
"""Kind of the event that tells of a hand-back; its fact `folder` is where it was made."""
NOT_CHOSEN = "not_chosen_files"
"""Its fact that says how many more files were found and not asked for."""
HAND_BACK_BEGUN = "hand-back-begun"
"""The same of one whose copying begins; it may never be finished."""
EXPORT = "export"
"""The same of an export of the case."""
KEEP_DAYS = "keep-days"
"""The question of take-in that is answered with a number of days."""
ITEM = "the shop's copies"
KEPT, CLOSING, CLOSED = "keeping", "closing", "Closed:"
"""Kinds of the events that tell of a last day of keeping and of a closed case, and how the text of one that
was closed, not opened again, begins."""
SINCE = "since"
"""Fact of the first; `closing` where nobody put the day down and no hand-back did."""
BAG_NAMES = ("bagit.txt", "bag-info.txt", "names.json", "links.json", "gaps.json", "handback.progress")
BAG_BEGINNINGS = ("data/", "manifest-", "tagmanifest-", "report.")


@dataclass(frozen=True, slots=True)
class Amount:
    """How many files; bytes as long as they say they are, and bytes stored (holes left out)."""

    files: int = 0
    size_bytes: int = 0
    stored_bytes: int = 0

    def plus(self, size_bytes: int, stored_bytes: int) -> Amount:
        """With one file more."""
        return Amount(self.files + 1, self.size_bytes + size_bytes, self.stored_bytes + stored_bytes)


@dataclass(frozen=True, slots=True)
class KeepDays:
    """For how many days after the hand-back copies are kept, or after the closing of a case without one;
    `agreed` if the customer said so."""

    days: int
    agreed: bool


@dataclass(frozen=True, slots=True)
class Held:
    """What the shop holds of a case.

    Args:
        amounts: by sort; sorts of which it holds nothing are left out.
        due: the day that was put down is over.
        rule: for how many days after the hand-back, or the closing without one, they are kept while no day is
            put down.
        hand_backs: folders of hand-backs that are still where they were made and on the shop's own medium.
        elsewhere: those that are there and lie on another medium, which may be the customer's.
    """

    case: Case
    amounts: Mapping[Sort, Amount]
    due: bool
    rule: KeepDays
    hand_backs: tuple[str, ...]
    elsewhere: tuple[str, ...]


def keeping_of(bench: Bench) -> Keeping:
    """How long the shop keeps copies by its own file.

    Raises:
        BadFormFile: the file is not sound.
    """
    text = bench.shop_files.text("settings", "keeping")
    return Keeping() if text is None else read_keeping(text)


def keep(bench: Bench, number: int, day: str = "", days: int | None = None, although_told: str = "") -> Case:
    """Says until when the copies of a case are kept; custody tells the old and the new day.

    Args:
        day: the last day of keeping; days: so many after the hand-back, or the closing of a case without one,
            or after today before either. Without both `keep_days` holds.
        although_told: why it is a day before the one that a paper on record tells the customer; custody
            keeps it.

    Raises:
        NoSuchCase: there is no such case.
        CaseForgotten: it was forgotten.
        UsageError: both are given, no day of the calendar, one that is over already, or one before the day
            that the customer was told, without a reason.
        BadFormFile: `settings/keeping.toml` is not sound.
    """
    if day and days is not None:
        raise UsageError("A day and a number of days are given.", "Give one of them.")
    with bench.ledger.together():
        case, today = remembered(bench, number), bench.now()[:10]
        if day:
            require_day(day)
            until = day
        else:
            back = handed_back_on(bench, number) or closed_on(bench, case)
            told = keep_days(bench, number).days if days is None else days
            until = by_rule(back, told) if back and days is None else day_after(back or today, told)
        at_once = not day and days is None and not told
        if until < today and not at_once:
            raise UsageError(
                f"{until} is over.",
                f"Name today or a later day; mendbay case erase-plan {number} --reason WHY erases before it.",
            )
        against = require_not_before_told(bench, case, until, although_told)
        return set_keep_until(bench, case, until, against=against)


def told_before(bench: Bench, case: Case, before: str) -> str:
    """That papers made before name another last day of keeping, once it was put down anew; empty if it is the
    day that stood before, or no paper is on record.

    Args:
        before: the day that stood before, empty for none.
    """
    back = handed_back_on(bench, case.number)
    letters = bench.notes.tally(case.number).get(NoteKind.LETTER, 0)
    if case.keep_until == before or not (back or letters):
        return ""
    report = f"The report in the folder of the hand-back of {back}" if back else ""
    made = " and letters that were made" if report else "Letters that were made"
    return (
        f"{report}{made if letters else ''} still {'say' if letters else 'says'} what held before: tell the "
        f"customer that copies are kept until {case.keep_until} now."
    )


def keep_days(bench: Bench, number: int) -> KeepDays:
    """For how many days after the hand-back, or the closing without one, the copies of a case are kept: as
    the customer said at take-in, else by the shop's own file.

    Raises:
        BadFormFile: `settings/keeping.toml` is not sound.
        LedgerError: a note is not one that Mendbay wrote.
    """
    notes = standing_notes(bench, NoteKind.INTAKE, number, "", KEEP_DAYS)
    try:
        said = [str(one) for note in notes[-1:] for one in json.loads(note.body)["values"]]
        if said and said[0] != NOT_KNOWN:
            return KeepDays(int(said[0]), agreed=True)
    except (ValueError, KeyError, TypeError) as trouble:
        raise LedgerError(
            f"The ledger's note {notes[-1].number} of a take-in cannot be read: {trouble!r:.60}.",
            "End whatever of Mendbay runs, then put the newest backup of the ledger in its place.",
        ) from trouble
    return KeepDays(keeping_of(bench).days, agreed=False)


def keeping_facts(bench: Bench, case: Case) -> dict[str, str | bool]:
    """How long copies are kept, as facts of a paper: `keep_until` (the day that is put down, or empty; empty
    too once it is over, which `keep_over` tells), and the rule that gives it while there is none: `keep_days`
    (`30 days` after the hand-back, or the closing without one; empty for none) and `keep_said` (the customer
    said so; else it is what the shop usually does).

    Raises:
        BadFormFile, LedgerError: as `keep_days`.
    """
    rule, over = keep_days(bench, case.number), is_over(case.keep_until, bench.now()[:10])
    return {
        "keep_until": "" if over else case.keep_until,
        "keep_over": over,
        "keep_days": counted(rule.days, "day", plain=True) if rule.days else "",
        "keep_said": rule.agreed,
    }


def by_rule(ended: str, days: int) -> str:
    """The last day of keeping, so many days after the day of the hand-back, or of the closing without one.
    With 0 copies are due at once: their last day was the one before."""
    return day_after(ended, days) if days else day_before(ended)


def keep_since_closing(bench: Bench, case: Case) -> Case:
    """Puts down the last day of keeping of a case that is closed without a hand-back, from today on by the
    rule: no hand-back comes that it could run from. A day that is put down already stands.

    Raises:
        BadFormFile, LedgerError: as `keep_days`.
    """
    if case.keep_until or handed_back_on(bench, case.number):
        return case
    until = by_rule(bench.now()[:10], keep_days(bench, case.number).days)
    return set_keep_until(bench, case, until, {SINCE: CLOSING})


def keep_while_open(bench: Bench, case: Case) -> Case:
    """Takes back a day that ran from the closing alone: the case is open again, its copies are worked on."""
    if not case.keep_until or not _runs_from_closing(bench, case):
        return case
    bench.custody(
        case.number, f"keep-until day taken back: {case.keep_until}, as the case is open again", ITEM
    )
    bench.note(case.number, KEPT, f"That copies are kept until {case.keep_until} no longer holds.")
    return bench.ledger.amend_case(case.number, keep_until="")


def _runs_from_closing(bench: Bench, case: Case) -> bool:
    """Whether the last day of keeping was put down by nobody, but by the closing alone."""
    told = [one for one in bench.ledger.events(case.number) if one.kind == KEPT]
    return bool(told) and told[-1].facts.get(SINCE) == CLOSING


def day_at_hand_back(bench: Bench, case: Case) -> str:
    """The last day of keeping if the files are handed back today and nobody names one: the day that is put
    down already, if it is not over, else by the rule.

    Raises:
        BadFormFile, LedgerError: as `keep_days`.
    """
    today = bench.now()[:10]
    if case.keep_until and not is_over(case.keep_until, today):
        return case.keep_until
    return by_rule(today, keep_days(bench, case.number).days)


def set_keep_until(
    bench: Bench, case: Case, until: str, facts: Facts | None = None, *, against: str = ""
) -> Case:
    """Writes the last day of keeping down; nothing is written if it was that day already, and told so by
    whoever says it now.

    Args:
        facts: of the event that tells it.
        against: what the customer was told otherwise, and why it is another day; custody keeps it.
    """
    if case.keep_until == until and (facts is not None or not _runs_from_closing(bench, case)):
        return case
    before = f" (before: {case.keep_until})" if case.keep_until else ""
    item = f"{ITEM}; {against}" if against else ITEM
    bench.custody(case.number, f"keep-until day put down: {until}{before}", item)
    bench.note(case.number, KEPT, f"Copies are kept until {until}{before}.", facts)
    return bench.ledger.amend_case(case.number, keep_until=until)


def handed_back_on(bench: Bench, number: int) -> str:
    """The day of the last hand-back, empty if there was none."""
    days = [one.at[:10] for one in bench.ledger.events(number) if one.kind == HAND_BACK]
    return days[-1] if days else ""


def closed_on(bench: Bench, case: Case) -> str:
    """The day on which a case was closed last; empty while it is open."""
    if case.state is not CaseState.CLOSED:
        return ""
    told = bench.ledger.events(case.number)
    days = [one.at[:10] for one in told if one.kind == CLOSING and one.text.startswith(CLOSED)]
    return days[-1] if days else ""


def recorded_hand_backs(bench: Bench, number: int) -> tuple[str, ...]:
    """The folders that hand-backs of the case were made in, the oldest first."""
    return folders_told(bench, number, HAND_BACK)


def folders_told(bench: Bench, number: int, kind: str) -> tuple[str, ...]:
    """The folders that events of a kind tell of, the oldest first."""
    found = (one.facts.get("folder") for one in bench.ledger.events(number) if one.kind == kind)
    return tuple(dict.fromkeys(one for one in found if isinstance(one, str) and one))


def is_of_bag(path: str) -> bool:
    """Whether a file in a hand-back folder is part of what Mendbay writes there."""
    return path in BAG_NAMES or path.startswith(BAG_BEGINNINGS) or ("/" not in path and is_leftover(path))


def held(bench: Bench, copies: Copies, number: int) -> Held:
    """What the shop holds of a case.

    Raises:
        NoSuchCase: there is no such case.
        DestinationError: a folder cannot be read.
        BadFormFile, LedgerError: as `keep_days`.
    """
    case = bench.ledger.case(number)
    amounts: dict[Sort, Amount] = {}
    here: list[str] = []
    elsewhere: list[str] = []
    for folder in recorded_hand_backs(bench, number):
        root = copies.root(case, folder)
        if root is not None:
            (here if root.device == copies.shop_device else elsewhere).append(folder)
    for root_name in ("", *here):
        for one in copies.walk(case, root_name):
            sort = sort_of(one.path) if not root_name else Sort.HAND_BACK if is_of_bag(one.path) else None
            if sort is not None and one.kind == "file":
                amounts[sort] = amounts.get(sort, Amount()).plus(one.size_bytes, one.stored_bytes)
    ordered = {sort: amounts[sort] for sort in Sort if sort in amounts}
    due = bool(ordered) and is_over(case.keep_until, bench.now()[:10])
    return Held(case, ordered, due, keep_days(bench, number), tuple(here), tuple(elsewhere))


def keeping(bench: Bench, copies: Copies) -> tuple[Held, ...]:
    """What the shop holds of every case of which it holds anything; what is due first, then by day.

    Raises:
        DestinationError: a folder cannot be read.
    """
    found = [held(bench, copies, one.number) for one in bench.ledger.cases()]
    holding = (one for one in found if one.amounts)
    return tuple(sorted(holding, key=lambda one: (not one.due, one.case.keep_until or "9", one.case.number)))

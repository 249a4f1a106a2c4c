"""The form that orders a reading, and the order it makes."""

from __future__ import annotations

from collections.abc import Collection, Mapping
from decimal import Decimal
from typing import TYPE_CHECKING, Any

from mendbay.core.errors import HeldBack, UsageError
from mendbay.faces.web.asked_field import CUSTOMER_ASKED
from mendbay.faces.web.fields import Field, choice, decimal, flag, line, number, text
from mendbay.faces.web.lately import Lately
from mendbay.imaging.hazard import Condition
from mendbay.jobs.power_permit import Although, foresee_power, foresee_reading
from mendbay.jobs.work_port import JSON, WorkKind, WorkOrder

if TYPE_CHECKING:
    from mendbay.faces.web.visit import Visit
    from mendbay.jobs.bench import Bench

SLOTS = (1, 2)
"""A box has two bays."""
PATH_LIMIT = 1000
PATTERNS_LIMIT = 4000
FORMS_KEPT = 32
MOST_TRIES = 100
CONDITIONS = {
    str(Condition.HEALTHY): "healthy",
    str(Condition.REFUSES): "refuses reads",
    str(Condition.CLICKS): "clicks",
}
WANTED, LIES = "wanted", "lies"


def place(suffix: str = "") -> tuple[Field, Field]:
    """Where a drive is: one of those at hand, or a path."""
    return (
        line(f"device{suffix}", "Drive at this machine", limit=PATH_LIMIT),
        line(f"source{suffix}", "Path of a device or an image file", limit=PATH_LIMIT),
    )


def place_said(said: Mapping[str, Any], suffix: str = "") -> str:
    """Where a form says that a drive is; empty if it says nothing.

    Raises:
        UsageError: it says two places.
    """
    chosen, written = said[f"device{suffix}"].strip(), said[f"source{suffix}"].strip()
    if chosen and written and chosen != written:
        raise UsageError(
            f"Two places are named for one drive: {chosen[:60]} and {written[:60]}.",
            "Choose it from the list or write its path, not both.",
        )
    return str(chosen or written)


def condition(name: str, *, required: bool = False) -> Field:
    """What a drive is like."""
    return choice(name, "What the drive is like", CONDITIONS, required=required)


ALTHOUGH = (
    line("although_refused", "Why it is read although the customer refused it"),
    line("although_harmful", "Why it is read although triage or the electrical sheet says STOP"),
    line("although_other_serial", "Why it is read although its serial number is not this bay's"),
)
"""Custody keeps each of them."""


def _slot(at: int) -> tuple[Field, ...]:
    return (
        line(f"bay_{at}", "Bay"),
        *place(f"_{at}"),
        line(f"adapter_{at}", "What it hangs on (adapter)"),
        condition(f"condition_{at}"),
    )


TERMS = (
    choice(
        "sequence",
        "In which order",
        {
            WANTED: "what is wanted first, then the rest",
            LIES: "as it lies, from first sector to last",
        },
    ),
    text("want", "What is wanted, a pattern on each line", limit=PATTERNS_LIMIT),
    flag("only_wanted", "Stop after what is wanted"),
    decimal("minutes", "Minutes the rest may take"),
    number("tries", "How often a refused sector is asked for", least=1, most=MOST_TRIES),
    flag("both_whole", "Read both halves of a mirror whole and compare them"),
    flag("waive_unallocated", "Leave what the file system says is free"),
    line("worth", "What all that is to be read is worth"),
    line("bench_hour", "What an hour of the bench costs"),
    decimal("head_work_gives", "How much of what is not read head work may give, in per cent", most=100),
    decimal("patience", "Seconds until a read counts as hung", most=3600),
    choice("sector", "Sector size of image files", {"512": "512 bytes", "4096": "4096 bytes"}),
    flag("ask_nothing", "Ask the drives nothing about themselves (their temperature is then not watched)"),
)
FIELDS = (*(one for at in SLOTS for one in _slot(at)), *TERMS, *ALTHOUGH)
"""All that the form says."""
_PLAIN = ("minutes", "tries", "worth", "bench_hour", "head_work_gives", "patience", "ask_nothing")
_OF_BOTH = ("only_wanted", "both_whole", "waive_unallocated")
_ALTHOUGH = tuple(one.name for one in ALTHOUGH)


def options_said(said: Mapping[str, Any]) -> tuple[WorkKind, dict[str, JSON]]:
    """The kind of work that a form orders, and its options; those that are not said are left out.

    Raises:
        UsageError: no drive, one bay twice, or things that do not go together.
    """
    drives = _drives_said(said)
    of_both: dict[str, JSON] = {name: True for name in _OF_BOTH if said[name]}
    want = [one for one in map(str.strip, said["want"].splitlines()) if one]
    if want:
        of_both["want"] = want
    is_pair = len(drives) > 1 or said["sequence"] == WANTED or bool(of_both)
    if is_pair and said["sequence"] == LIES:
        raise UsageError(
            "A drive that is read as it lies is read alone, and wishes do not count.",
            "Name one drive and leave out what is wanted, or read what is wanted first.",
        )
    options: dict[str, JSON] = {name: said[name] for name in (*_PLAIN, *_ALTHOUGH) if _is_said(said[name])}
    if said["sector"]:
        options["sector"] = int(said["sector"])
    if not is_pair:
        (bay, one), *_ = drives.items()
        options |= {"bay": bay, **{name: value for name, value in one.items() if value}}
        return WorkKind.READ_DRIVE, options
    options["sources"] = {bay: one["source"] for bay, one in drives.items()}
    for plural, name in (("adapters", "adapter"), ("conditions", "condition")):
        if found := {bay: one[name] for bay, one in drives.items() if one[name]}:
            options[plural] = found
    return WorkKind.READ_PAIR, {**options, **of_both}


def _drives_said(said: Mapping[str, Any]) -> dict[str, dict[str, str]]:
    drives: dict[str, dict[str, str]] = {}
    for at in SLOTS:
        bay, where = said[f"bay_{at}"].strip(), place_said(said, f"_{at}")
        if not where:
            continue
        if not bay:
            raise UsageError(f"Nothing says in which bay the drive at {where[:60]} was.", "Say its bay.")
        if bay in drives:
            raise UsageError("Two drives were given for one bay.", "Give each bay once.")
        drives[bay] = {
            "source": where,
            "adapter": said[f"adapter_{at}"].strip(),
            "condition": said[f"condition_{at}"],
        }
    if not drives:
        raise UsageError(
            "No drive is named.", "Choose the drive of each bay that is to be read, or write its path."
        )
    return drives


class FormsLookedAt:
    """What the forms of readings said that were looked at last and not begun, by case and person: kept while
    the server runs, so that whoever goes back, or loads the page again, types nothing twice."""

    def __init__(self) -> None:
        self._kept: Lately[tuple[int, str], Mapping[str, Any]] = Lately(FORMS_KEPT, _case_of)

    def put(self, case: int, who: str, said: Mapping[str, Any]) -> None:
        """Keeps what a form says, but for reasons, which count for one order alone."""
        self._kept.put((case, who), {**said, **dict.fromkeys(_ALTHOUGH, "")})

    def get(self, case: int, who: str) -> Mapping[str, Any] | None:
        """What was said last; None if nothing was, or it is begun."""
        return self._kept.get((case, who))

    def drop(self, case: int, who: str) -> None:
        """It is begun."""
        self._kept.drop(lambda key: key == (case, who))

    def forget(self, case: int | None) -> None:
        """The case is forgotten; None for all."""
        self._kept.forget(case)

    def close(self) -> None:
        """Lets go of all of them."""
        self._kept.close()


def _case_of(key: tuple[int, str]) -> int:
    return key[0]


def forms_looked_at(visit: Visit) -> FormsLookedAt:
    """Those of the server."""
    found: FormsLookedAt = visit.desk.keep("forms looked at", FormsLookedAt)
    return found


def said_by(order: WorkOrder) -> dict[str, Any]:
    """What the form says that makes the same order once more; without reasons given against anything, which
    count for one order alone."""
    options = order.options
    said: dict[str, Any] = {one.name: one.default for one in FIELDS}
    for name in (*_PLAIN, *_OF_BOTH):
        if name in options:
            said[name] = options[name]
    said["sector"] = str(options.get("sector", ""))
    said["want"] = "\n".join(_texts(options.get("want")))
    if order.kind is WorkKind.READ_PAIR:
        said["sequence"] = WANTED
        sources = _by_bay(options.get("sources"))
        adapters, conditions = _by_bay(options.get("adapters")), _by_bay(options.get("conditions"))
        drives = [(bay, sources[bay], adapters.get(bay, ""), conditions.get(bay, "")) for bay in sources]
    else:
        drives = [tuple(str(options.get(name, "")) for name in ("bay", "source", "adapter", "condition"))]  # type: ignore[list-item]
    for at, one in zip(SLOTS, drives, strict=False):
        for name, value in zip(("bay", "source", "adapter", "condition"), one, strict=True):
            said[f"{name}_{at}"] = value
    return said


def _texts(value: object) -> list[str]:
    return [str(one) for one in value] if isinstance(value, (list, tuple)) else []


def _by_bay(value: object) -> dict[str, str]:
    return {str(bay): str(one) for bay, one in value.items()} if isinstance(value, Mapping) else {}


def sent(said: Mapping[str, Any]) -> list[tuple[str, str]]:
    """What a form says as a browser sends it, for hidden fields of the next; nothing for what is not said."""
    pairs = []
    for one in FIELDS:
        value = said[one.name]
        if value is True:
            pairs.append((one.name, "yes"))
        elif _is_said(value):
            pairs.append((one.name, _digits(value) if isinstance(value, float) else str(value)))
    return pairs


def _is_said(value: object) -> bool:
    """Whether a field says something; nought is something."""
    return value is not None and value is not False and value != ""


def _digits(value: float) -> str:
    """A number in digits as forms take it, none of them lost."""
    return str(int(value)) if value.is_integer() else format(Decimal(repr(value)), "f")


def speaks_against(bench: Bench, case: int, bays: Collection[str], *, reading: bool) -> tuple[str, ...]:
    """What a reason is asked for before drives get power, or are read, in sentences; for the mark of the form
    that asks. Whoever gave a reason meant what stood there, and no danger that was found since."""
    foresee = foresee_reading if reading else foresee_power
    found: list[str] = []
    for although in (Although(asked=True), Although(refused="for the sake of asking", asked=True)):
        try:
            foresee(bench, case, bays, although)
        except HeldBack as trouble:
            found.append(trouble.what)
        else:
            break
    return tuple(found)


def although_said(said: Mapping[str, Any]) -> Although:
    """The reasons given against what speaks against reading; a form need not ask for each."""
    refused, harmful, other_serial = (str(said.get(name, "") or "") for name in _ALTHOUGH)
    return Although(refused, harmful, other_serial, bool(said.get(CUSTOMER_ASKED.name)))


def asked_said(said: Mapping[str, Any]) -> dict[str, JSON]:
    """Of the options of an order that the customer was asked, where the form says so."""
    return {CUSTOMER_ASKED.name: True} if said[CUSTOMER_ASKED.name] else {}


def sources_in(options: Mapping[str, JSON]) -> dict[str, str]:
    """By bay, where the drives of an order are."""
    if "sources" in options:
        return _by_bay(options["sources"])
    return {str(options.get("bay", "")): str(options.get("source", ""))}


def conditions_in(options: Mapping[str, JSON]) -> dict[str, Condition | None]:
    """By bay, what a person says each drive of an order is like."""
    given = _by_bay(options.get("conditions"))
    if "bay" in options:
        given = {str(options["bay"]): str(options.get("condition", ""))}
    return {bay: Condition(given[bay]) if given.get(bay) else None for bay in sources_in(options)}

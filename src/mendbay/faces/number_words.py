"""What a number of triage's tables is of, in words instead of the ids by which the tables name things."""

from __future__ import annotations

from mendbay.triage.table_numbers import EVENTS, FAULTS, LAYOUTS, STEPS, Number
from mendbay.triage.tables import Tables

TOPICS = {
    FAULTS: "what can be broken",
    EVENTS: "what happened",
    LAYOUTS: "how two drives belong together",
    STEPS: "what can be done",
}
GROUPS = {
    "inside": "damage inside the drive",
    "dead": "a fault for which the drive gives nothing",
}
"""Groups of faults, which the tables only name."""
SCOPES = {"any": " (of any drive)", "both": " (of every drive)", "other": " (of another drive)"}
OTHERWISE = "in all other cases"


def topic_words(tables: Tables, topic: str) -> str:
    """What numbers there are of: of a sign, its question."""
    return tables.signs[topic].asks if topic in tables.signs else TOPICS.get(topic, topic)


def entry_words(tables: Tables, one: Number) -> str:
    """What a number is of."""
    if one.topic in tables.signs:
        return _when_words(tables, one.entry) if one.entry else OTHERWISE
    if one.topic == STEPS:
        return tables.steps[one.entry].words.rstrip(".") if one.entry in tables.steps else one.entry
    if one.topic == FAULTS and one.entry == "strength":
        return "closed cases that the shares of the table weigh as much as"
    if one.topic == EVENTS:
        return tables.happenings[one.entry].words
    if one.topic == LAYOUTS:
        return tables.layouts[one.entry].words
    return _called(tables, one.entry)


def part_words(tables: Tables, one: Number) -> str:
    """Which number of it that is."""
    if one.topic in tables.signs:
        answers = {answer.id: answer.words for answer in tables.signs[one.topic].answers}
        return answers.get(one.part, one.part)
    kind, _, rest = one.part.partition(" ")
    if one.topic == FAULTS:
        return {"first": "its share of what brought cases in", "besides": "its chance beside another"}.get(
            one.part, one.part
        )
    if one.topic in (EVENTS, LAYOUTS) and kind == "share":
        return "its share of cases"
    if kind == "times":
        return f"how many times likelier it makes {_called(tables, rest)}"
    if kind == "fixes":
        return f"its chance to mend {_called(tables, rest)}"
    if kind in ("solves", "harm"):
        what = "its chance to give the data" if kind == "solves" else "the share of the data it loses"
        return f"{what}, with {_when_words(tables, rest.removeprefix('if '))}" if rest else what
    return one.part


def _when_words(tables: Tables, conditions: str) -> str:
    """Conditions of a row, as `table_numbers` writes them."""
    return "; ".join(_term_words(tables, one) for one in conditions.split(", "))


def _term_words(tables: Tables, term: str) -> str:
    name = term.removeprefix("not ")
    scope, colon, of = name.rpartition(":")
    if scope == "event" and of in tables.happenings:
        words = tables.happenings[of].words
    elif scope == "layout" and of in tables.layouts:
        words = tables.layouts[of].words
    else:
        words = _called(tables, of) + (SCOPES.get(scope, "") if colon else "")
    return f"not: {words}" if term != name else words


def _called(tables: Tables, name: str) -> str:
    """A fault or a group of faults."""
    return tables.faults[name].words if name in tables.faults else GROUPS.get(name, name)

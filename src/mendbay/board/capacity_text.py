"""Capacities as labels print them, and whether label, model and count of sectors say the same.

`2.0 TB`, `500GB` and `LBA 3907029168` come from number forms whose parts count GB or sectors; here they are
written in one way each and held against each other and against the standard's count.
"""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from dataclasses import replace

from mendbay.board.identifier import SETTLED_FROM, SUREST, UNCERTAIN, Identifier, Part
from mendbay.board.number_form import Form, Kind, Unit
from mendbay.core.capacity import Fit, advertised

_MOST_GB = 10**6
_SECTOR_BYTES = 512
_AGREED, _CONTRADICTED = 0.3, 0.7
"""Agreement leaves this share of the doubt, contradiction this share of the confidence (own choice)."""


def capacity_value(form: Form, parts: Mapping[str, str]) -> str:
    """A capacity as it is written down: `500 GB`, `2 TB`, `3907029168 sectors`; empty if the parts give
    none."""
    for name, meaning in form.parts.items():
        amount = meaning.amount(parts.get(name, ""))
        if amount is not None and meaning.unit is Unit.GB:
            return class_text(amount)
        if amount is not None and meaning.unit is Unit.SECTORS:
            return f"{amount:.0f} sectors"
    return ""


def class_text(gb: float) -> str:
    """A capacity class: `80 GB`, `1.5 TB`."""
    return f"{gb:g} GB" if gb < 1000 else f"{gb / 1000:g} TB"


def check_capacities(identifiers: Sequence[Identifier]) -> tuple[Identifier, ...]:
    """The same identifiers, with what capacity, model and count of sectors say about each other.

    Agreement raises the confidence of both sides, contradiction lowers it and is told on both. Where
    several models or capacities were seen, nothing is compared: they may belong to different drives.
    """
    changed = list(identifiers)
    places = _places(identifiers)
    if places is None:
        return tuple(changed)
    model, label, count = places
    if model is not None and label is not None:
        _compare_classes(changed, model, label)
    if count is not None:
        _compare_count(changed, count, label if label is not None else model)
    return tuple(changed)


def _places(identifiers: Sequence[Identifier]) -> tuple[int | None, int | None, int | None] | None:
    """Indices of the model with a capacity, of the printed capacity, and of the count of sectors."""
    found: list[list[int]] = [[], [], []]
    for index, one in enumerate(identifiers):
        if one.kind is Kind.MODEL and one.amount(Unit.GB) is not None:
            found[0].append(index)
        elif one.kind is Kind.CAPACITY:
            found[1 if one.amount(Unit.GB) is not None else 2].append(index)
    if any(len(one) > 1 for one in found):
        return None
    model, label, count = (one[0] if one else None for one in found)
    return model, label, count


def _capacity_part(one: Identifier) -> Part:
    return next(part for part in one.parts if part.unit is Unit.GB and part.amount is not None)


def _compare_classes(changed: list[Identifier], model: int, label: int) -> None:
    part, printed = _capacity_part(changed[model]), _capacity_part(changed[label])
    if part.amount is None or printed.amount is None:
        return
    named = f"the {part.text} in the model {changed[model].value}"
    if abs(part.amount - printed.amount) < 0.5:
        _agree(changed, model, label, f"{named} says {class_text(part.amount)}, as the label does")
    elif part.certain:
        said = f"{named} says {class_text(part.amount)}, the label {class_text(printed.amount)}"
        _contradict(changed, model, label, said)


def _compare_count(changed: list[Identifier], count: int, other: int | None) -> None:
    """Holds the count of sectors against the capacity class, printed or in the model."""
    sectors = changed[count].amount(Unit.SECTORS)
    if sectors is None:
        return
    part = None if other is None else _capacity_part(changed[other])
    label = None
    if part is not None and part.amount is not None and part.certain and 1 <= part.amount <= _MOST_GB:
        label = round(part.amount)
    found = advertised(int(sectors) * _SECTOR_BYTES, _SECTOR_BYTES, label)
    said = f"{sectors:.0f} sectors: {found.sentence.rstrip('.')}"
    if found.fit is Fit.CONFORMING:
        _agree(changed, count, other if label is not None else None, said)
    elif found.fit in (Fit.CLIPPED, Fit.ABSURD):
        _contradict(changed, count, other if label is not None else None, said)
    else:
        changed[count] = replace(changed[count], agreements=(*changed[count].agreements, said))


def _agree(changed: list[Identifier], one: int, other: int | None, said: str) -> None:
    for index in (one, other):
        if index is not None:
            now = changed[index]
            confidence = min(1 - (1 - now.confidence) * _AGREED, max(now.confidence, SUREST))
            settled = confidence >= SETTLED_FROM
            doubts = tuple(doubt for doubt in now.doubts if not (settled and doubt == UNCERTAIN))
            agreements = (*now.agreements, said)
            changed[index] = replace(now, confidence=confidence, agreements=agreements, doubts=doubts)


def _contradict(changed: list[Identifier], one: int, other: int | None, said: str) -> None:
    for index in (one, other):
        if index is not None:
            now = changed[index]
            confidence = now.confidence * _CONTRADICTED
            changed[index] = replace(now, confidence=confidence, doubts=(*now.doubts, said))

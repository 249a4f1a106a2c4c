"""Numbers drawn from number forms, and the ways readers misread them."""

from __future__ import annotations

from dataclasses import dataclass
from random import Random

from mendbay.board.capacity_text import capacity_value
from mendbay.board.number_form import Caption, Form, Forms, Kind
from mendbay.board.pattern import Pattern
from mendbay.board.sighting import How, PictureReading, Sighting

PAIRS = "0O 1I 5S 2Z 8B 6G OQ 0D 1L 7T 4A CG UV"
"""Pairs that are easily taken for each other; written down on its own, not taken from the program's table."""
LOOKALIKES: dict[str, str] = {}
for _pair in PAIRS.split():
    LOOKALIKES[_pair[0]] = LOOKALIKES.get(_pair[0], "") + _pair[1]
    LOOKALIKES[_pair[1]] = LOOKALIKES.get(_pair[1], "") + _pair[0]


def sample(pattern: Pattern, random: Random) -> str:
    """A number of the pattern, every choice equally likely."""
    number = ""
    state = pattern.start
    while True:
        ways = [*pattern.follow[state], *([None] if state in pattern.ends else [])]
        place = random.choice(ways)
        if place is None:
            return number
        number += random.choice(sorted(pattern.places[place]))
        state = place


def misread(number: str, errors: int, random: Random) -> str | None:
    """The number with that many characters taken for lookalikes; None if it has too few that can be."""
    spots = [at for at, sign in enumerate(number) if sign in LOOKALIKES]
    if len(spots) < errors:
        return None
    signs = list(number)
    for at in random.sample(spots, errors):
        signs[at] = random.choice(LOOKALIKES[number[at]])
    return "".join(signs)


def caption_for(forms: Forms, kind: Kind) -> Caption:
    """A caption that names just this kind."""
    return next(one for one in forms.captions if one.kinds == (kind,) and not one.in_barcodes)


def value_of(form: Form, number: str) -> str:
    """The number as it is written down."""
    match = form.pattern.match(number)
    assert match is not None, (form.id, number)
    parts = dict(match.parts)
    return (capacity_value(form, parts) if form.kind is Kind.CAPACITY else "") or form.value(number, parts)


def same_where_it_matters(form: Form, value: str, number: str) -> bool:
    """Whether a value is the number, but for parts that do not matter (package and grade of a chip)."""
    found, true = form.pattern.match(value), form.pattern.match(number)
    if found is None or true is None:
        return False
    slight = {name for name, meaning in form.parts.items() if not meaning.matters}
    return bool(slight) and all(
        dict(found.parts).get(name) == dict(true.parts).get(name) for name in form.parts if name not in slight
    )


def text_at(
    text: str,
    x: float = 0,
    y: float = 0,
    how: How = How.TEXT,
    confidence: float = 0.95,
    picture: str = "label.jpg",
    code: str = "",
    characters: tuple[float, ...] = (),
) -> Sighting:
    """A text of ordinary size at a place."""
    wide, high = 18.0 * max(len(text), 1), 30.0
    corners = ((x, y), (x + wide, y), (x + wide, y + high), (x, y + high))
    return Sighting(picture, text, how, confidence, corners, code, characters)


def reading(*sightings: Sighting, picture: str = "label.jpg") -> PictureReading:
    """A usable picture with these texts."""
    return PictureReading(picture, "0" * 64, 1500, 1000, sightings, (), True, 0.1)


def printed(forms: Forms, form: Form, text: str) -> PictureReading:
    """A picture of a number, behind its caption if its form cannot do without one."""
    if form.needs_caption:
        text = f"{caption_for(forms, form.kind).text}: {text}"
    return reading(text_at(text))


@dataclass
class Tally:
    """How a set of numbers came out."""

    right: int = 0
    right_settled: int = 0
    wrong_doubted: int = 0
    wrong_settled: int = 0
    nothing: int = 0

    @property
    def total(self) -> int:
        """Numbers tried."""
        return self.right + self.wrong_doubted + self.wrong_settled + self.nothing

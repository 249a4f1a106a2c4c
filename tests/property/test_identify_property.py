"""What holds for any text, any number of any form, and any corrections."""

from __future__ import annotations

import time
from random import Random

import pytest
from hypothesis import example, given, settings
from hypothesis import strategies as st

from mendbay.board.confusable import Confusions, Correction, align, fold
from mendbay.board.fit import Channel, read_of
from mendbay.board.forms import load_forms
from mendbay.board.identify import MOST_SIGHTINGS, correct, identify
from mendbay.board.number_form import Form, Kind
from mendbay.board.sighting import How, PictureReading, Sighting
from support.number_samples import (
    Tally,
    misread,
    printed,
    reading,
    same_where_it_matters,
    sample,
    text_at,
    value_of,
)

FORMS = load_forms()
SHAPED = [one for one in FORMS.forms if not one.needs_caption]
STRICT = [
    one
    for one in SHAPED
    if one.id in ("demo-alder-board", "demo-alder-serial", "demo-alder-controller", "board-4-6-3", "date-iso")
]
"""Forms in which every place is either for digits or for letters."""

tricky = st.text(st.sampled_from("0O1IlB8S5Z2G6-. :/#ABC\x1d\n;éА文\ud800\u200b"), max_size=80)
anything = st.one_of(st.text(max_size=80), tricky)
sizes = st.floats(allow_nan=True, allow_infinity=True)


@st.composite
def sightings(draw: st.DrawFn) -> Sighting:
    text = draw(anything.filter(lambda one: bool(one.strip())))
    corners = tuple((draw(sizes), draw(sizes)) for _ in range(4))
    characters = draw(
        st.sampled_from([(), tuple([0.5] * len(text)), (0.1,), tuple([float("nan")] * len(text))])
    )
    how = draw(st.sampled_from(How))
    confidence = draw(st.floats(-1, 2) | st.just(float("nan")))
    return Sighting("a.jpg", text, how, confidence, corners, "", characters)  # type: ignore[arg-type]


@settings(max_examples=150, deadline=2_000)
@given(st.lists(sightings(), max_size=6))
def test_no_text_makes_it_fail(seen: list[Sighting]) -> None:
    found = identify([PictureReading("a.jpg", "0" * 64, 1, 1, tuple(seen), (), True, 0.1)], FORMS)
    for one in found:
        assert 0 <= one.confidence <= 1
        assert one.value
        assert one.sightings
        assert all(0 <= other.probability <= 1 for other in one.alternatives)
        assert len(correct(found, Correction(one.kind, one.value, "X1"), FORMS)) <= len(found)


@settings(max_examples=300, deadline=None)
@example(next(one for one in SHAPED if one.id == "model-2-4-2-3"), 29_833)
@given(st.sampled_from(SHAPED), st.integers(0, 2**32))
def test_a_clean_number_of_a_form_is_found(form: Form, seed: int) -> None:
    """Where one sign misread would make it a number of a likelier kind, it stands beside that, and nothing is
    settled."""
    number = sample(form.pattern, Random(seed))
    found = identify([printed(FORMS, form, number)], FORMS)
    told = [(one.kind, one.value) for one in found]
    told += [(other.kind, other.value) for one in found if not one.settled for other in one.alternatives]
    assert (form.kind, value_of(form, number)) in told, (number, found)


@settings(max_examples=200, deadline=None)
@given(st.sampled_from(STRICT), st.integers(0, 2**32))
def test_a_lookalike_of_the_wrong_class_is_repaired_or_told(form: Form, seed: int) -> None:
    random = Random(seed)
    number = sample(form.pattern, random)
    wrong = misread(number, 1, random)
    if wrong is None:
        return
    at = next(place for place, (old, new) in enumerate(zip(number, wrong, strict=True)) if old != new)
    if number[at].isdigit() == wrong[at].isdigit() or form.pattern.match(wrong) is not None:
        return
    found = identify([reading(text_at(wrong))], FORMS)
    same = [one for one in found if one.kind is form.kind]
    right = value_of(form, number)
    if any(one.value == right for one in same):
        return
    # It may be a clean number of another form, or two characters may be as likely: then that is told.
    assert not any(one.settled for one in found), (number, wrong, found)
    assert right in [other.value for one in found for other in one.alternatives], (number, wrong, found)


@settings(max_examples=40, deadline=None)
@given(
    st.sampled_from(["1I", "0O", "5S", "8B", "4W", "2K"]),
    st.integers(1, 6),
    st.sampled_from(["0123456789", "0123456789ABCDEFGHIJKLMNOPQRSTUVWXYZ"]),
)
def test_every_correction_makes_the_repair_likelier(pair: str, times: int, among: str) -> None:
    lesson = Correction(Kind.BOARD, f"TX-{pair[1]}377", f"TX-{pair[0]}377", ("a" * 64,))
    chances = [
        Confusions([lesson] * count).posterior(pair[1], among).get(pair[0], 0.0) for count in range(times + 1)
    ]
    rising = among.isdigit() and chances[0] == 1.0  # certain from the start
    assert chances == sorted(chances)
    assert rising or chances[-1] > chances[0]


@settings(deadline=None)
@given(anything, anything)
def test_an_alignment_explains_all_of_the_right_text(read: str, right: str) -> None:
    read, right = fold(read)[:64], fold(right)[:64]
    pairs = align(read, right)
    assert "".join(true for true, _ in pairs) == right
    assert "".join(seen for _, seen in pairs) in read


@settings(max_examples=200, deadline=None)
@given(st.sampled_from(FORMS.forms), st.integers(0, 2**32), st.integers(0, 2))
def test_the_shares_of_a_fit_are_probabilities(form: Form, seed: int, errors: int) -> None:
    random = Random(seed)
    number = sample(form.pattern, random)
    read = read_of(text_at(misread(number, errors, random) or number))
    for fit in Channel(FORMS, Confusions()).fits(read, True, tuple(Kind)):
        shares = [fit.share, *(one.share for one in fit.rivals)]
        assert all(0 <= one <= 1 for one in shares)
        assert sum(shares) <= 1 + 1e-9 or len(shares) > 2
        assert "?" in fit.number or fit.form.pattern.match(fit.number) is not None


@pytest.mark.slow
@pytest.mark.parametrize(("errors", "least_right", "most_wrong"), [(0, 0.995, 0.002), (1, 0.85, 0.05)])
def test_the_share_of_right_numbers(errors: int, least_right: float, most_wrong: float) -> None:
    random = Random(errors)
    tally = Tally()
    while tally.total < 1_000:
        form = SHAPED[tally.total % len(SHAPED)]
        number, wrong = "", None
        for _ in range(60):
            number = sample(form.pattern, random)
            wrong = misread(number, errors, random)
            if wrong is not None:
                break
        if wrong is None:
            number = wrong = sample(form.pattern, random)
        found = [one for one in identify([printed(FORMS, form, wrong)], FORMS) if one.kind is form.kind]
        if any(one.value == value_of(form, number) for one in found):
            tally.right += 1
        elif any(one.settled and not same_where_it_matters(form, one.value, number) for one in found):
            tally.wrong_settled += 1
        else:
            tally.wrong_doubted += 1
    assert tally.right / tally.total >= least_right
    assert tally.wrong_settled / tally.total <= most_wrong


def test_many_texts_take_no_more_than_their_share_of_time() -> None:
    random = Random(3)
    words = [
        "Model:",
        "{}",
        "S/N:",
        "{}",
        "Do",
        "not",
        "cover",
        "any",
        "hole",
        "5VDC",
        "0.60A",
        "2312",
        "AB12",
        "R12",
        "{}",
    ]
    pictures = []
    for picture in range(5):
        name = f"{picture}.jpg"
        texts = []
        for row in range(40):
            number = sample(random.choice(FORMS.forms).pattern, random)
            text = " ".join(random.sample(words, 3)).replace("{}", number)
            texts.append(text_at(text, 0, 45 * row, picture=name))
        pictures.append(reading(*texts, picture=name))

    def seconds(some: list[PictureReading]) -> float:
        times = []
        for _ in range(3):
            before = time.process_time()
            assert identify(some, FORMS)
            times.append(time.process_time() - before)
        return min(times)

    assert seconds(pictures) < 15 * seconds(pictures[:1]), "five times as much, and not its square"


@pytest.mark.slow
@pytest.mark.parametrize(
    "text", ["1234 5678 " * 60, "A1" * 500, "S/N: " * 200, "0O1IlB8S5Z2G6 " * 80, "- " * 600, "\x1d1P" * 300]
)
def test_hostile_pictures_are_bounded(text: str) -> None:
    how = How.BARCODE if "\x1d" in text else How.TEXT
    one = text_at(text.strip(), how=how)
    before = time.process_time()
    identify([reading(*[one] * (MOST_SIGHTINGS + 50))], FORMS)
    assert time.process_time() - before < 20

"""What must come out of the model: facts of the trade (common practice, no source), and its own soundness."""

from __future__ import annotations

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from mendbay.core.errors import UsageError
from mendbay.triage.belief import Asked, Belief, all_signs, sign_of
from mendbay.triage.table_file import packaged_tables
from mendbay.triage.worlds import Subject, Worlds
from support.triage import known, some_answers

BOX = Worlds(packaged_tables(), Subject(("1", "2")))
DRIVE = Worlds(packaged_tables(), Subject(("1",), box=False))
INSIDE = ("heads", "media-damage", "stuck", "service-area")


def believe(worlds: Worlds = BOX, **answers: str) -> Belief:
    return Belief(worlds, known(**answers))


def test_drives_fail_far_more_often_than_the_box_board() -> None:
    belief = believe()
    drives = sum(chance for place, chance in belief.ranked() if place.bay)
    assert drives > 8 * belief.fault("box-board")


def test_lights_on_and_drives_spinning_makes_the_box_board_unlikely() -> None:
    before, after = believe(), believe(lights="normal", sound_bay1="normal", sound_bay2="normal")
    assert after.fault("box-board") < 0.02 < before.fault("box-board")
    assert believe(lights="none").fault("box-board") > 0.1


def test_the_supply_and_the_motor_driver_are_the_most_vulnerable_parts_of_a_board() -> None:
    belief = believe()
    assert (
        belief.fault("board-supply", "1")
        > belief.fault("motor-driver", "1")
        > belief.fault("rom-mismatch", "1")
    )
    wrong = believe(history="wrong-adapter", sound_bay1="silent")
    assert wrong.ranked()[0][0].fault == "board-supply"


def test_after_a_plain_swap_a_drive_that_spins_but_is_not_detected_points_to_the_rom() -> None:
    belief = believe(swapped_bay1="without-rom", sound_alone_bay1="normal", detected_bay1="no")
    place, chance = belief.ranked()[0]
    assert (place.fault, place.bay) == ("rom-mismatch", "1")
    assert chance > 0.9
    assert believe(sound_alone_bay1="normal", detected_bay1="no").fault("rom-mismatch", "1") < 0.3


def test_one_bad_half_of_a_mirror_leaves_the_other_readable() -> None:
    belief = believe(layout_found="mirror", sound_bay1="clicks", sound_bay2="normal", detected_bay2="right")
    assert belief.fault("heads", "1") > 0.5
    files = sign_of(BOX, Asked("alone", "2")).place("files")
    assert belief.expected(Asked("alone", "2"))[files] > 0.9


def test_when_neither_half_gives_the_volume_it_was_striped_or_both_are_damaged() -> None:
    belief = believe(alone_bay1="nothing-usable", alone_bay2="nothing-usable")
    assert belief.layout("stripe") > 0.7 > 0.3 > believe().layout("stripe")
    dead = believe(alone_bay1="not-readable", alone_bay2="not-readable")
    both = np.logical_and.reduce(
        [np.logical_or.reduce([BOX.faulty[:, BOX.place(one, bay)] for one in INSIDE]) for bay in ("1", "2")]
    )
    assert dead.weights[both].sum() > 30 * believe().weights[both].sum()


def test_clicking_after_a_fall_is_the_heads_and_grinding_the_platters() -> None:
    assert believe(DRIVE, sound_bay1="clicks").fault("heads", "1") > 0.5
    assert believe(DRIVE, sound_bay1="grinding").ranked()[0][0].fault == "media-damage"


def test_a_sound_box_that_nobody_finds_in_the_network_has_a_network_trouble() -> None:
    belief = believe(lights="normal", sound_bay1="normal", sound_bay2="normal", network_seen="no")
    assert belief.ranked()[0][0].fault == "network"
    assert believe(login="refused").ranked()[0][0].fault == "password"
    assert believe(free_space="full", volume="whole").ranked()[0][0].fault == "full-disk"


# Public drive-stats data set, 6 October 2016 (percentages from memory): one of five signs in 76.7 % of failed
# and 4.2 % of working drives.
def test_the_signs_of_wear_have_the_published_likelihood_ratios() -> None:
    sign = packaged_tables().signs["smart"]
    worn = [
        float(one.value)
        for one in next(row for row in sign.rows if row.when and row.when[0].name == "media-wear").chances
    ]
    working = [float(one.value) for one in sign.rows[-1].chances]
    assert (1 - worn[0]) / (1 - working[0]) == pytest.approx(18.26, abs=0.005)
    assert worn[0] / working[0] == pytest.approx(0.2432, abs=0.00005)


# ----------------------------------------------------------------- soundness


@settings(deadline=None, max_examples=60)
@given(some_answers(BOX, 8), st.sampled_from(all_signs(BOX)))
def test_evidence_for_a_fault_never_lowers_it(answers: dict[Asked, str], asked: Asked) -> None:
    """An answer is evidence for a fault if it is at least as likely in every world with it as in any
    without."""
    answers.pop(asked, None)
    before = Belief(BOX, answers)
    likelihood = BOX.likelihood(sign_of(BOX, asked), asked.bay)
    chances = before.faults()
    for number, what in enumerate(before.what_if(asked)):
        for place in range(len(BOX.places)):
            there = BOX.faulty[:, place]
            if likelihood[there, number].min() >= likelihood[~there, number].max():
                assert what.faults[place] >= chances[place] * (1 - 1e-12)


def test_there_is_evidence_that_the_property_speaks_of() -> None:
    found = set()
    for asked in all_signs(BOX):
        likelihood = BOX.likelihood(sign_of(BOX, asked), asked.bay)
        for number in range(likelihood.shape[1]):
            for place, one in enumerate(BOX.places):
                there = BOX.faulty[:, place]
                if likelihood[there, number].min() >= likelihood[~there, number].max():
                    found.add(one.fault)
    assert {"adapter", "board-supply", "rom-mismatch", "full-disk"} <= found


@settings(deadline=None, max_examples=60)
@given(some_answers(BOX, 8), st.sampled_from(all_signs(BOX)))
def test_what_an_answer_would_mean_averages_to_what_is_believed(
    answers: dict[Asked, str], asked: Asked
) -> None:
    answers.pop(asked, None)
    belief = Belief(BOX, answers)
    what_if = belief.what_if(asked)
    assert sum(one.chance for one in what_if) == pytest.approx(1.0)
    mean = sum(one.chance * one.faults for one in what_if)
    assert mean == pytest.approx(belief.faults(), rel=1e-9, abs=1e-12)
    for one in what_if:
        then = Belief(BOX, {**answers, asked: one.answer})
        assert then.faults() == pytest.approx(one.faults, rel=1e-9, abs=1e-12)


@settings(deadline=None, max_examples=30)
@given(some_answers(BOX, 8))
def test_taking_back_an_answer_undoes_exactly_what_it_moved(answers: dict[Asked, str]) -> None:
    belief = Belief(BOX, answers)
    place = belief.ranked()[0][0]
    for one in belief.moved(place.fault, place.bay):
        without = Belief(BOX, {asked: answer for asked, answer in answers.items() if asked != one.asked})
        both = (one.fault(place.fault, place.bay) for one in (belief, without))
        odds = [np.log2(chance / (1 - chance)) for chance in both]
        assert odds[0] - odds[1] == pytest.approx(one.bits, rel=1e-6, abs=1e-9)


def test_no_answer_counts_what_is_not_known() -> None:
    assert Belief(BOX, {}).faults() == pytest.approx(BOX.prior @ BOX.faulty)
    assert pytest.approx(1.0) == BOX.prior.sum()


@pytest.mark.parametrize(
    ("asked", "answer", "said"),
    [
        (Asked("lights"), "green", "cannot be 'green'"),
        (Asked("lamps"), "none", "no sign 'lamps'"),
        (Asked("lights", "1"), "none", "asked of the box, not of a bay"),
        (Asked("sound"), "clicks", "one of the bays 1, 2"),
        (Asked("sound", "3"), "clicks", "one of the bays 1, 2"),
    ],
)
def test_an_answer_that_fits_no_sign_is_refused(asked: Asked, answer: str, said: str) -> None:
    with pytest.raises(UsageError, match=said):
        Belief(BOX, {asked: answer})


def test_a_drive_alone_has_no_box_to_ask_of() -> None:
    with pytest.raises(UsageError, match="asked of the box"):
        Belief(DRIVE, {Asked("lights"): "none"})
    with pytest.raises(UsageError, match="answered already"):
        believe(lights="none").what_if(Asked("lights"))
    for bays in ((), ("1", "2", "3"), ("1", "1"), ("",)):
        with pytest.raises(UsageError, match="cannot be judged together"):
            Subject(bays)


def test_a_sound_world_loses_no_fault_and_every_other_one_each_of_its_own() -> None:
    for number in range(0, BOX.count, 97):
        for place in range(len(BOX.places)):
            other = BOX.without[place, number]
            expected = BOX.faulty[number].copy()
            expected[place] = False
            assert (BOX.faulty[other] == expected).all()
            for layout in ("mirror", "stripe"):
                assert BOX.of_layout(layout)[number] == BOX.of_layout(layout)[other]

"""Odds of a swap: priors as data, outcomes that move them, and what they are said to rest on."""

from __future__ import annotations

import re
from importlib.resources import files

import pytest

from mendbay.board.swap_odds import (
    ATTRIBUTES,
    LEVELS,
    Agreement,
    Attribute,
    Level,
    Purpose,
    SwapOdds,
    SwapOutcome,
    packaged_priors,
    read_priors,
)
from mendbay.core.errors import BadFormFile, UsageError
from mendbay.core.quantity import chance_text

PRIORS = packaged_priors()
TEXT = (files("mendbay.board") / "match_priors.toml").read_text(encoding="utf-8")
BEST = {
    **dict.fromkeys(map(str, ATTRIBUTES[Purpose.BOARD_SWAP]), "same"),
    "date": "close",
    "condition": "tested good",
    "ROM": "moved",
}


def best(**other: str) -> Agreement:
    return Agreement.from_words(
        Purpose.BOARD_SWAP, BEST | {key.replace("_", " "): one for key, one in other.items()}
    )


def chance(agreement: Agreement, outcomes: list[SwapOutcome] | None = None) -> float:
    return SwapOdds(agreement.purpose, PRIORS, outcomes or []).odds(agreement).chance


def test_every_number_of_the_priors_has_its_basis() -> None:
    for purpose in Purpose:
        rows = [PRIORS.intercept[purpose], *PRIORS.coefficients[purpose].values()]
        assert len(rows) == 1 + sum(len(LEVELS[one]) for one in ATTRIBUTES[purpose])
        assert all(row.basis == "common practice, no source" for row in rows)


def test_what_the_data_file_says_of_itself_holds() -> None:
    assert 0.87 < chance(best()) < 0.93
    assert chance(best(ROM="not moved")) < 0.2
    heads = Agreement.from_words(
        Purpose.HEAD_TRANSPLANT,
        {
            **dict.fromkeys(("family", "model", "heads map", "firmware", "site"), "same"),
            "date": "close",
            "condition": "tested good",
        },
    )
    assert 0.65 < chance(heads) < 0.78


def test_every_attribute_pulls_in_its_direction() -> None:
    for purpose in Purpose:
        for attribute in ATTRIBUTES[purpose]:
            odds = {level: PRIORS.coefficients[purpose][attribute, level].mean for level in LEVELS[attribute]}
            if Level.SAME in odds:
                assert odds[Level.SAME] >= odds[Level.LISTED] > odds[Level.DIFFERENT]
                assert odds[Level.SAME] > odds[Level.UNKNOWN] > odds[Level.DIFFERENT]
            if attribute is Attribute.MADE_ON:
                assert odds[Level.CLOSE] > odds[Level.NEAR] > odds[Level.FAR]


def test_outcomes_move_the_odds_and_are_counted() -> None:
    other = Agreement.from_words(Purpose.HEAD_TRANSPLANT, {})
    recorded = [
        *[SwapOutcome(best(), True)] * 2,
        *[SwapOutcome(best(), False)] * 3,
        *[SwapOutcome(best(revision="different"), True)] * 7,
        *[SwapOutcome(other, True)] * 90,
    ]
    odds = SwapOdds(Purpose.BOARD_SWAP, PRIORS, recorded).odds(best())
    assert (odds.outcomes, odds.alike, odds.alike_worked) == (12, 5, 2)
    assert re.match(r"\d+ % \(9 in 10 between \d+ % and (over )?\d+ %\); rests", odds.words())
    assert "12 swaps of this shop, 5 with the same agreement, 2 of which worked" in odds.words()
    alone = SwapOdds(Purpose.BOARD_SWAP, PRIORS).odds(best())
    assert "no swap of this shop" in alone.words()
    assert odds.deviation < alone.deviation
    assert chance(best(), [SwapOutcome(best(), True)] * 20) > alone.chance
    assert chance(best(), [SwapOutcome(best(), False)] * 20) < 0.4
    one = SwapOdds(Purpose.BOARD_SWAP, PRIORS, recorded[:1]).odds(best(site="unknown"))
    assert "1 swap of this shop, 0 with the same agreement" in one.words()


def test_many_outcomes_outweigh_the_priors() -> None:
    wrong = best(ROM="not moved")
    recorded = [SwapOutcome(wrong, at % 10 < 7) for at in range(2000)]
    assert chance(wrong, recorded) == pytest.approx(0.7, abs=0.03)


def test_odds_do_not_depend_on_the_order_of_outcomes() -> None:
    recorded = [
        SwapOutcome(best(site=site), worked)
        for site in ("same", "different", "unknown")
        for worked in (True, False)
    ]
    forward, back = (SwapOdds(Purpose.BOARD_SWAP, PRIORS, some) for some in (recorded, recorded[::-1]))
    assert forward.odds(best()).chance == pytest.approx(back.odds(best()).chance, abs=1e-12)


def test_a_score_is_the_chance_itself() -> None:
    odds = SwapOdds(Purpose.BOARD_SWAP, PRIORS)
    assert odds.score(best()) == odds.odds(best()).chance


def test_agreements_go_through_plain_words() -> None:
    words = best(firmware="listed alternative").as_words()
    assert set(map(type, (*words, *words.values()))) == {str}
    assert Agreement.from_words(Purpose.BOARD_SWAP, words) == best(firmware="listed alternative")
    empty = Agreement.from_words(Purpose.BOARD_SWAP, {})
    assert empty.level(Attribute.CONTROLLER) is Level.UNKNOWN
    assert empty.level(Attribute.CONDITION) is Level.UNTESTED
    for bad in ({"colour": "same"}, {"site": "sameish"}, {"site": "close"}, {"heads map": "same"}):
        with pytest.raises(UsageError):
            Agreement.from_words(Purpose.BOARD_SWAP, bad)
    with pytest.raises(UsageError):
        Agreement(Purpose.BOARD_SWAP, (Level.SAME,))


ROW = TEXT[TEXT.index('  { attribute = "site", level = "same"') :].split("\n", 1)[0] + "\n"


@pytest.mark.parametrize(
    "text",
    [
        "",
        "[",
        TEXT.replace("[days]", "[weeks]"),
        TEXT.replace("near = 366", "near = 5"),
        TEXT.replace("near = 366", "near = true"),
        TEXT.replace('stops = ["family"', 'stops = ["date"'),
        TEXT.replace('stops = ["family"', 'stops = ["controller"'),
        TEXT.replace(ROW, "", 1),
        TEXT.replace(ROW, ROW * 2, 1),
        TEXT.replace(ROW, ROW.replace("0.05", "1e9"), 1),
        TEXT.replace(ROW, ROW.replace("0.05", "nan"), 1),
        TEXT.replace(ROW, ROW.replace("0.05", '"much"'), 1),
        TEXT.replace(ROW, ROW.replace("common practice, no source", " "), 1),
        TEXT.replace(ROW, ROW.replace("same", "alike"), 1),
        TEXT.replace("rows = [", "rows = 3 # [", 1),
        TEXT + "#" * (1 << 20),
    ],
)
def test_damaged_priors_are_refused(text: str) -> None:
    assert text != TEXT
    with pytest.raises(BadFormFile):
        read_priors(text)


def test_percent_never_claims_certainty() -> None:
    assert [chance_text(one) for one in (0.0, 0.004, 0.126, 0.99, 0.996, 1.0)] == [
        "under 1 %",
        "under 1 %",
        "13 %",
        "99 %",
        "over 99 %",
        "over 99 %",
    ]

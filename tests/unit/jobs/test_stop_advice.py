"""The advice to go on with a drive or to stop, as a reading gives it."""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import replace

import pytest

from mendbay.case.consents import Word
from mendbay.core.coverage import Condition as Coverage
from mendbay.core.money import Money
from mendbay.core.span import Span, SpanSet
from mendbay.imaging.ahead import Ahead
from mendbay.imaging.assumptions import Assumptions
from mendbay.imaging.going_on import Left, Stakes
from mendbay.imaging.hazard import Condition
from mendbay.jobs.bench import Bench
from mendbay.jobs.consents import give_word
from mendbay.jobs.drive_reading import DriveReading, Ending
from mendbay.jobs.events import Advised, Event, silent
from mendbay.jobs.read_drive import DriveAt, read_drive
from mendbay.jobs.stop_advice import AdviceGiven, Among, StopAdvice, advice_words, given_words, numbers_of
from support.drives_at_hand import OneDrive
from support.memory_store import MemoryStore
from support.scripted_drive import ScriptedDrive, numbered

SECTORS = 60_000
BAND = 2_000
DEAD_HEAD = {one for one in range(SECTORS) if one // BAND % 4 == 3}
"""One head of four gives nothing."""


class Still:
    """A clock that stands: the bench time is what the drive says its reads took."""

    def now(self) -> object:
        raise AssertionError("nobody asks for the time of day")

    def steady_seconds(self) -> float:
        return 0.0


def read(
    condition: Condition, bad: set[int], *, most_seconds: float, stakes: Stakes | None = None
) -> tuple[MemoryStore, AdviceGiven, list[tuple[Advised, int, float]], Ending]:
    """A reading, and every advice with the sectors read and the seconds spent by then."""
    drive = ScriptedDrive(numbered(SECTORS), bad=bad)
    store = MemoryStore(drive.identity)
    told: list[tuple[Advised, int, float]] = []

    def tell(event: Event) -> None:
        if isinstance(event, Advised):
            told.append((event, store.coverage().total_bytes(Coverage.READ) // 512, advice.bench_seconds))

    assumed = Assumptions.of(condition)
    advice = StopAdvice("1", assumed, stakes or Stakes(), tell, Still().steady_seconds)
    reading = DriveReading(
        "1",
        drive,
        store,  # type: ignore[arg-type]
        Still(),  # type: ignore[arg-type]
        silent,
        assumed,
        stop=lambda: advice.bench_seconds >= most_seconds,
        advice=advice,
    )
    ending = reading.run()
    return store, advice.given, told, ending


@pytest.mark.parametrize("condition", [Condition.REFUSES, Condition.CLICKS])
def test_with_a_dead_head_it_advises_to_stop_once_the_living_ones_are_read(condition: Condition) -> None:
    store, given, told, ending = read(condition, DEAD_HEAD, most_seconds=900)
    assert ending is Ending.STOPPED, "advice stops nothing"
    living = SECTORS - len(DEAD_HEAD)
    stops = [one for one in told if not one[0].advice.go_on]
    assert len(stops) == 1, "it is said once"
    advised, read_then, seconds = stops[0]
    assert read_then > 0.98 * living
    assert store.coverage().total_bytes(Coverage.READ) // 512 - read_then < 0.02 * living
    assert seconds < 600, "most refusals were still to come"
    assert given.stop == advised.advice
    assert given.stopped_at == pytest.approx(seconds)
    assert given.last is not None
    assert not given.last.go_on


def test_the_same_drive_is_read_on_where_head_work_is_no_option() -> None:
    _, given, told, _ = read(
        Condition.CLICKS, DEAD_HEAD, most_seconds=500, stakes=Stakes(head_work_gives=0.0)
    )
    assert told
    assert all(event.advice.go_on for event, _, _ in told)
    assert given.stop is None


def test_a_healthy_drive_is_never_advised_against() -> None:
    scattered = set(range(500, SECTORS, 4000))
    for condition in (Condition.HEALTHY, Condition.REFUSES):
        bad = scattered if condition is Condition.HEALTHY else set(sorted(scattered)[:4])
        _, given, told, ending = read(condition, bad, most_seconds=1e9)
        assert ending is Ending.DONE
        assert all(event.advice.go_on for event, _, _ in told), condition
        assert given.stop is None
    assert given.last is None, "nothing is left to try"


@pytest.mark.parametrize(("worth", "go_on"), [(1000, True), (2500, False), (2019, True), (2021, False)])
def test_the_check_values_through_the_job(worth: int, go_on: bool) -> None:
    """50 an hour comes, the bench costs 10, the hazard is 0.02 an hour; even at 2020 at risk
    (tests/unit/core/test_loss_odds.py, derived by hand)."""
    stakes = Stakes(Money(100 * worth, "EUR"), Money(1000, "EUR"), head_work_gives=1.0)
    told: list[Event] = []
    advice = StopAdvice("1", Assumptions.of(Condition.REFUSES), stakes, told.append, Still().steady_seconds)
    left = Left(0, 0, 1_000_000, 1_000_000)
    for _ in range(2):
        advice.look(lambda seconds: Ahead(seconds, 0.0, 1_000_000 * 50 / worth, 0.0), left)
    (event,) = told
    assert isinstance(event, Advised)
    assert event.advice.go_on is go_on


@pytest.mark.parametrize(
    ("worth", "among", "go_on", "words"),
    [
        (2200, Among(), False, "; the bench costs 10.00 EUR meanwhile."),
        (2200, Among(drives=2), True, "; its share of the bench costs 5.00 EUR meanwhile."),
        (2300, Among(drives=2), False, "; its share of the bench costs 5.00 EUR meanwhile."),
        (4400, Among(of_worth=0.5), False, "; the bench costs 10.00 EUR meanwhile."),
        (4000, Among(of_worth=0.5), True, "; the bench costs 10.00 EUR meanwhile."),
    ],
)
def test_among_others_a_drive_has_its_part_of_the_stakes(
    worth: int, among: Among, go_on: bool, words: str
) -> None:
    """As above: with half of the bench's hour even at 45 / 0.0198 = 2273; of half of the worth the same."""
    stakes = Stakes(Money(100 * worth, "EUR"), Money(1000, "EUR"), head_work_gives=1.0)
    advice = StopAdvice("1", Assumptions.of(Condition.REFUSES), stakes, silent, Still().steady_seconds)
    advice.among = lambda: among
    on_it = worth * among.of_worth
    advice.look(
        lambda seconds: Ahead(seconds, 0.0, 1_000_000 * 50 / on_it, 0.0), Left(0, 0, 1_000_000, 1_000_000)
    )
    found = advice.given.last
    assert found is not None
    assert found.go_on is go_on
    assert f"What comes is worth 50.00 EUR{words}" in numbers_of(found)


def looks(*yields: float) -> tuple[StopAdvice, list[bool]]:
    """Looks at stretches that bring such shares, and what was said."""
    said: list[bool] = []

    def tell(event: Event) -> None:
        assert isinstance(event, Advised)
        said.append(event.advice.go_on)

    advice = StopAdvice("1", Assumptions(), Stakes(), tell, Still().steady_seconds)
    for each in yields:
        advice.look(_bringing(each), Left(0, 0, 1000, 1000))
    return advice, said


def _bringing(share: float) -> Callable[[float], Ahead]:
    return lambda seconds: Ahead(seconds, 0.0, 1000 * share, 0.0)


def test_one_unlucky_minute_changes_nothing() -> None:
    assert looks(0.5, 0.0, 0.5, 0.0, 0.5, 0.5)[1] == [True]


def test_a_change_is_told_and_the_first_stop_is_kept() -> None:
    advice, said = looks(0.5, 0.5, 0.0, 0.0, 0.0, 0.5, 0.5, 0.001, 0.001)
    assert said == [True, False, True, False]
    assert advice.given.stop is not None
    assert advice.given.stop.brings == 0.0, "the first one"


def test_it_looks_once_a_minute_of_bench_time() -> None:
    advice, _ = looks()
    assert not advice.spent(59.0)
    assert advice.spent(2.0)
    advice.look(_bringing(0.5), Left(0, 0, 10, 10))
    assert not advice.spent(59.0)
    assert advice.spent(1.0)


def test_the_words_have_the_numbers_and_the_reason() -> None:
    advice, _ = looks(0.004, 0.004)
    found = advice.given.last
    assert found is not None
    words = advice_words("2", found)
    assert words.replace("\u2009", " ") == (
        "Bay 2, recommended: stop here, power the drive off. The next hour is expected to bring 2.05 kB of "
        "the 512 kB still lacking, with hardly a refused read. The chance that the drive is lost meanwhile "
        "is 2 %; head work might still give 50 % of what is lacking, so 0.99 % of what is lacking is at "
        "risk. Head work in a clean room would have more to gain. You decide; until you stop it, reading "
        "goes on."
    )
    assert given_words(advice.given).startswith("Stopping was recommended after 0 s: The next hour is")
    assert given_words(AdviceGiven()) == ""


def words_for(ahead: Ahead, left: Left) -> str:
    advice = StopAdvice("1", Assumptions(), Stakes(), silent, Still().steady_seconds)
    advice.look(lambda seconds: ahead, left)
    assert advice.given.last is not None
    return advice_words("1", advice.given.last).replace("\u2009", " ")


def test_a_share_of_the_worth_is_told_as_that_and_not_as_one_of_the_bytes() -> None:
    """Of 193 sectors lacking 5 come, none wanted: 0.1 x 5 / 10 000 of the worth, of which 0.9 x 100 / 1000
    and 0.1 x 93 / 10 000 are lacking."""
    words = words_for(Ahead(3600, 0.0, 5.0, 0.0), Left(1000, 100, 10_000, 93))
    assert (
        "is expected to bring 2.56 kB of the 98.8 kB still lacking, with hardly a refused read; as wanted "
        "files count nine in ten, 0.055 % of the worth of what is lacking. The chance that"
    ) in words
    assert "0.99 % of that worth is at risk." in words
    for left in (Left(1000, 0, 1000, 193), Left(1000, 193, 1000, 0), Left(0, 0, 1000, 193)):
        assert "nine in ten" not in words_for(Ahead(3600, 5.0, 5.0, 0.0), left)


def test_where_only_what_is_wanted_is_read_the_bytes_are_told_to_be_of_that() -> None:
    words = words_for(Ahead(6.0, 0.5, 0.0, 0.0), Left(1000, 1, 0, 0))
    assert (
        "What is left to try of what is wanted, about 6 s, is expected to bring hardly a sector of the "
        "512 bytes wanted and still lacking, with hardly"
    ) in words
    assert "of what is wanted" not in words_for(Ahead(6.0, 0.5, 0.0, 0.0), Left(1000, 1, 10, 10))


def test_a_bench_that_costs_more_than_the_data_is_the_reason() -> None:
    stakes = Stakes(Money(1000, "EUR"), Money(5000, "EUR"))
    advice = StopAdvice("1", Assumptions(), stakes, silent, Still().steady_seconds)
    for _ in range(2):
        advice.look(_bringing(0.5), Left(0, 0, 1000, 1000))
    assert advice.given.last is not None
    words = advice_words("1", advice.given.last)
    assert "What comes is worth 5.00 EUR; the bench costs 50.00 EUR meanwhile, more than all" in words
    assert words.count("That is not worth the bench.") == 1
    assert "clean room" not in words


def test_only_what_is_aimed_at_counts() -> None:
    """With nothing but wanted files aimed at, the rest of the drive is no gain and no risk."""
    drive = ScriptedDrive(numbered(SECTORS), bad=set(range(1000, 1400)))
    store = MemoryStore(drive.identity)
    advice = StopAdvice("1", Assumptions(), Stakes(), silent, Still().steady_seconds)
    reading = DriveReading(
        "1",
        drive,
        store,
        Still(),
        silent,
        Assumptions(),
        advice=advice,  # type: ignore[arg-type]
        stop=lambda: advice.bench_seconds > 400,
    )
    wanted = SpanSet([Span(900 * 512, 1500 * 512)])
    assert reading.run([wanted], rest=False) is Ending.STOPPED
    assert advice.given.last is not None
    assert advice.given.last.lacking == pytest.approx(
        1 - (store.coverage().read & wanted).total_bytes / wanted.total_bytes
    )


# ---------------------------------------------------------------------- in a case


def in_case(bench: Bench, condition: Condition, **more: object) -> Bench:
    drives = OneDrive(ScriptedDrive(numbered(SECTORS), bad=DEAD_HEAD))
    return replace(bench, drives=drives, assumed=Assumptions.of(condition), **more)  # type: ignore[arg-type]


def test_the_story_keeps_what_was_advised(bench: Bench) -> None:
    told: list[Event] = []
    at = in_case(bench, Condition.CLICKS, tell=told.append)
    at = replace(at, stop=lambda: any(isinstance(one, Advised) and not one.advice.go_on for one in told))
    result = read_drive(at, 1, DriveAt("1", "a drive", "port"))
    assert result.ending is Ending.STOPPED
    assert result.advice.stop is not None
    story = bench.ledger.events(1)[-1].text
    assert "Stopping was recommended after" in story
    assert "Head work in a clean room would have more to gain." in story


def test_a_customer_who_wants_no_laboratory_leaves_no_other_way(bench: Bench) -> None:
    give_word(bench, 1, "open-drive", Word.NO)
    told: list[Event] = []
    at = in_case(bench, Condition.CLICKS, tell=told.append)
    asked = iter(range(400))
    at = replace(at, stop=lambda: next(asked) >= 300)
    result = read_drive(at, 1, DriveAt("1", "a drive", "port"))
    assert result.advice.stop is None
    assert result.advice.last is not None
    assert result.advice.last.head_work_gives == 0.0

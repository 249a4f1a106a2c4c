"""What a work tells and is asked, without a process; and kinds that need what is not on every machine."""

from __future__ import annotations

import json
import re
import signal
import threading
from collections.abc import Iterator, Sequence
from contextlib import contextmanager
from dataclasses import dataclass, field
from datetime import UTC, datetime
from pathlib import Path

import numpy as np
import pytest

from mendbay.core.errors import Interrupted, ToolMissing
from mendbay.core.span import Span
from mendbay.faces.work import runner
from mendbay.faces.work.process import do
from mendbay.faces.work.telling import Telling, plain
from mendbay.imaging.going_on import Advice
from mendbay.jobs.bench import Bench
from mendbay.jobs.events import Advised, Phase, ReadingProgress, Said, StepProgress
from mendbay.jobs.take_in import take_in
from mendbay.jobs.work_options import options_of
from mendbay.jobs.work_port import (
    JSON,
    Ask,
    Desk,
    Outcome,
    Standing,
    WorkKind,
    WorkOrder,
    WorkRequest,
    WorkState,
)
from mendbay.outlets.work_json import order_json, state_json
from mendbay.wiring import open_bench
from support.board_bench import ToldPictures, bench_with_case
from support.works import until

DOCS = Path(__file__).parents[3] / "docs" / "formats" / "works.md"


@dataclass
class PlainDesk(Desk):
    """A desk in memory."""

    kind: WorkKind = WorkKind.CATALOGUE
    options: dict[str, JSON] = field(default_factory=dict)
    asked: list[WorkRequest] = field(default_factory=list)
    states: list[WorkState] = field(default_factory=list)
    said: list[str] = field(default_factory=list)
    is_full: bool = False

    @property
    def order(self) -> WorkOrder:
        return WorkOrder("x", self.kind, 1, "Ina", "", self.options)

    def requests(self) -> Sequence[WorkRequest]:
        found, self.asked = self.asked, []
        return found

    def write(self, state: WorkState) -> bool:
        if not self.is_full:
            self.states.append(state)
        return not self.is_full

    def say(self, at: str, text: str) -> None:
        self.said.append(text)

    @property
    def state(self) -> WorkState:
        return self.states[-1]


class HandClock:
    """A clock that stands still unless it is moved."""

    seconds = 100.0

    def now(self) -> datetime:
        return datetime(2026, 11, 29, tzinfo=UTC)

    def steady_seconds(self) -> float:
        return self.seconds


@pytest.fixture
def desk() -> PlainDesk:
    return PlainDesk()


@pytest.fixture
def telling(desk: PlainDesk) -> Telling:
    made = Telling(desk, HandClock())
    made.begin()
    return made


def progress(bay: str = "1", phase: Phase = Phase.WHOLE, read: int = 0) -> ReadingProgress:
    return ReadingProgress(bay, phase, Span(0, 512), read, 0, 4096, float("inf"), float("nan"))


def test_a_change_of_phase_is_written_at_once_and_the_rest_is_not(desk: PlainDesk, telling: Telling) -> None:
    before = len(desk.states)
    for read in range(50):
        telling.tell(progress(read=read))
    assert len(desk.states) == before + 1  # the clock stands: only the first, of a new phase
    telling.tell(progress(phase=Phase.REST))
    telling.tell(StepProgress("copying", 1, 2))
    telling.tell(StepProgress("copying", 2, 2))
    assert len(desk.states) == before + 3
    telling.end(Outcome.DONE)
    assert desk.state.step == {"step": "copying", "done": 2, "total": 2, "now": "", "in_bytes": False}
    assert desk.state.progress["1"]["phase"] == "reading the rest"
    assert desk.state.progress["1"]["bytes_per_second"] is None
    assert desk.state.progress["1"]["seconds_left"] is None


def test_an_advice_says_when_it_was_given(desk: PlainDesk, telling: Telling) -> None:
    advice = Advice(False, 60.0, 0.1, 3.0, 0.2, 0.1, 0.0, 0.5, 0.5, 512, 1024)
    telling.tell(Advised("1", advice, "Bay 1, recommended: stop here."))
    telling.end(Outcome.DONE)
    assert desk.state.advice["1"] == {
        "go_on": False,
        "text": "Bay 1, recommended: stop here.",
        "at": "2026-11-29T00:00:00Z",
        "of_wanted": False,
        "lacking_bytes": 1024,
        "read_bytes": None,
    }


def test_an_advice_says_how_far_reading_was_when_it_was_given(desk: PlainDesk, telling: Telling) -> None:
    advice = Advice(True, 60.0, 0.1, 3.0, 0.2, 0.1, 0.0, 0.5, 0.5, 512, 1024)
    telling.tell(progress(read=7))
    telling.tell(Advised("1", advice, "Bay 1, recommended: go on."))
    telling.tell(progress(read=9))
    telling.end(Outcome.DONE)
    assert desk.state.advice["1"]["read_bytes"] == 7
    assert desk.state.said_at == ("2026-11-29T00:00:00Z",)


def test_what_changed_is_written_once_its_time_has_come(desk: PlainDesk) -> None:
    clock = HandClock()
    telling = Telling(desk, clock)
    telling.begin()
    telling.tell(progress(read=1))
    telling.tell(progress(read=2))
    clock.seconds += 1
    until(lambda: desk.state.progress["1"]["read_bytes"] == 2)
    telling.end(Outcome.DONE)


def test_the_newest_sentences_are_in_the_state_and_all_are_told(desk: PlainDesk, telling: Telling) -> None:
    for number in range(60):
        telling.tell(Said(f"{number}."))
    telling.end(Outcome.DONE)
    assert desk.state.said == tuple(f"{number}." for number in range(10, 60))
    assert desk.state.said_count == 60
    assert desk.said == [f"{number}." for number in range(60)]


def test_two_drives_that_vanish_ask_one_after_the_other(desk: PlainDesk, telling: Telling) -> None:
    answers: dict[str, bool] = {}

    def ask(bay: str) -> None:
        answers[bay] = telling.power_cycle(bay)

    threads = [threading.Thread(target=ask, args=(bay,)) for bay in "12"]
    for one in threads:
        one.start()
    for number, yes in ((1, True), (2, False)):
        until(lambda number=number: desk.state.question and desk.state.question.number == number)
        assert desk.state.standing is Standing.WAITS
        desk.asked.append(WorkRequest(Ask.ANSWER, number=number, yes=yes))
    for one in threads:
        one.join()
    assert sorted(answers.values()) == [False, True]
    assert set(answers) == {"1", "2"}
    telling.end(Outcome.DONE)


def test_a_signal_is_a_stop_and_ends_rest_and_question(desk: PlainDesk, telling: Telling) -> None:
    desk.asked.append(WorkRequest(Ask.REST))
    until(telling.hold)
    stopped: list[bool] = []
    threads = [
        threading.Thread(target=lambda: stopped.append(telling.stop())),
        threading.Thread(target=lambda: stopped.append(not telling.power_cycle("1"))),
    ]
    for one in threads:
        one.start()
    until(lambda: desk.state.question)
    telling.told_to_end()
    for one in threads:
        one.join()
    assert stopped == [True, True]
    assert not telling.hold()
    assert not telling.power_cycle("1")
    telling.end(Outcome.STOPPED)


def test_power_asked_for_is_told_once(desk: PlainDesk, telling: Telling) -> None:
    desk.asked.append(WorkRequest(Ask.POWER_CYCLE, bay="2"))
    until(lambda: not desk.asked and telling.power_asked("2"))
    assert not telling.power_asked("2")
    assert not telling.power_asked("1")
    telling.end(Outcome.DONE)


def test_a_job_that_asks_nobody_is_stopped_where_it_tells(desk: PlainDesk) -> None:
    telling = Telling(desk, HandClock(), stops_when_telling=True)
    telling.begin()
    telling.tell(StepProgress("verifying", 1, 9))
    desk.asked.append(WorkRequest(Ask.STOP))
    until(telling.stop_asked)
    telling.tell(Said("This is heard all the same."))
    with pytest.raises(Interrupted) as stopped:
        telling.tell(StepProgress("verifying", 2, 9))
    assert "goes on from there" not in stopped.value.next_step, "a verification begins anew"
    telling.end(Outcome.STOPPED)


def test_a_full_disk_ends_nothing(desk: PlainDesk, telling: Telling, monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setattr("mendbay.faces.work.telling.END_SECONDS", 0.0)
    desk.is_full = True
    telling.tell(progress())
    telling.tell(Said("Still here."))
    assert not telling.end(Outcome.DONE)


def test_facts_become_what_json_can_hold() -> None:
    assert plain({1: (float("nan"), 2.5, None, True, Path("x"))}) == {"1": [None, 2.5, None, True, "x"]}
    numbers = plain([np.int64(1 << 40), np.float64(0.5), np.bool_(True)])
    assert json.loads(json.dumps(numbers)) == [1 << 40, 0.5, True]
    assert len(plain(list(range(10_000)))) == 500  # type: ignore[arg-type]


# ---------------------------------------------------------------------- kinds without their tools


@pytest.fixture
def home(tmp_path: Path) -> Path:
    with open_bench(tmp_path / "home") as bench:
        take_in(bench, "Quillmere Pottery")
    return tmp_path / "home"


@contextmanager
def kept_signals() -> Iterator[None]:
    """The process of a work sets how it heeds signals; that of the tests must not keep it."""
    before = {one: signal.getsignal(one) for one in (signal.SIGTERM, signal.SIGINT, signal.SIGHUP)}
    try:
        yield
    finally:
        for one, handler in before.items():
            signal.signal(one, handler)


@dataclass(frozen=True)
class Catalogued:
    files: int


def put_in_place(job: object, monkeypatch: pytest.MonkeyPatch) -> None:
    """A stand-in for the job that makes catalogues, and for the place they are kept."""
    monkeypatch.setattr(runner, "catalogue_files", job)
    monkeypatch.setattr(runner, "catalogues", lambda home: (home, "kept"))


def test_a_catalogue_is_made_by_its_job(home: Path, desk: PlainDesk, monkeypatch: pytest.MonkeyPatch) -> None:
    def job(bench: Bench, place: object, case: int) -> Catalogued:
        assert place == (home, "kept")
        bench.tell(StepProgress("cataloguing", case, 1))
        return Catalogued(7)

    put_in_place(job, monkeypatch)
    telling = Telling(desk, HandClock())
    one = runner.Runner(home, desk.order, telling)
    assert one.do(options_of(desk.order)) is Outcome.DONE
    assert one.result == {"files": 7}


def test_what_is_unforeseen_is_told_and_written(
    home: Path, desk: PlainDesk, monkeypatch: pytest.MonkeyPatch, capsys: pytest.CaptureFixture[str]
) -> None:
    def job(bench: Bench, place: object, case: int) -> None:
        raise ZeroDivisionError("by nought")

    put_in_place(job, monkeypatch)
    with kept_signals():
        assert do(home, desk)
    assert desk.state.outcome is Outcome.FAILED
    assert desk.state.trouble is not None
    assert desk.state.trouble.exit_code == 70
    assert "by nought" in desk.state.trouble.what
    assert "ZeroDivisionError" in capsys.readouterr().err


def test_pictures_are_read_those_given_and_those_the_case_holds(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    told = {b"\xff\xd8\xff label": ("AL20-HX4",), b"\xff\xd8\xff board": ("AB-4471",)}
    for number, data in enumerate(told):
        (tmp_path / f"{number}.jpg").write_bytes(data)
    with bench_with_case(tmp_path / "home"):
        pass
    reader = ToldPictures(told)
    monkeypatch.setattr(runner, "read_pictures_with", lambda: reader)
    for places in ([str(tmp_path / "0.jpg"), str(tmp_path / "1.jpg")], []):
        desk = PlainDesk(WorkKind.READ_PICTURES, {"bay": "1", "places": places})
        with kept_signals():
            do(tmp_path / "home", desk)
        assert desk.state.outcome in (Outcome.DONE, Outcome.INCOMPLETE), desk.state
        assert isinstance(desk.state.result, dict)
        assert [one["picture"] for one in desk.state.result["pictures"]] == ["0.jpg", "1.jpg"]
    assert reader.read_names == ["0.jpg", "1.jpg"]  # each once


def test_pictures_that_a_browser_sent_are_removed_if_they_cannot_be_read(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    home = tmp_path / "home"
    with bench_with_case(home):
        pass
    sent = home / "uploads" / "0123456789ab" / "0.jpg"
    sent.parent.mkdir(parents=True)
    sent.write_bytes(b"\xff\xd8\xff label")

    def fails(*rest: object) -> None:
        raise ToolMissing("Nothing reads pictures here.", "Install it.")

    monkeypatch.setattr(runner, "read_pictures", fails)
    desk = PlainDesk(WorkKind.READ_PICTURES, {"bay": "1", "places": [str(sent)], "names": ["0.jpg"]})
    with kept_signals():
        do(home, desk)
    assert desk.state.outcome is Outcome.FAILED
    assert not sent.parent.exists()


def test_a_fault_that_nobody_foresaw_is_written_out_plainly(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch, capsys: pytest.CaptureFixture[str]
) -> None:
    def fails(*rest: object) -> None:
        raise ValueError("named \x1b[31mred\u202e")

    monkeypatch.setattr(runner, "read_pictures", fails)
    with bench_with_case(tmp_path / "home"):
        pass
    with kept_signals():
        do(tmp_path / "home", PlainDesk(WorkKind.READ_PICTURES, {"bay": "1", "places": [], "names": []}))
    assert "ValueError: named \\x1b[31mred\\u202e\n" in capsys.readouterr().err


def test_pictures_that_a_browser_sent_are_removed_once_they_were_read(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    home, elsewhere = tmp_path / "home", tmp_path / "own.jpg"
    with bench_with_case(home):
        pass
    sent = home / "uploads" / "0123456789ab" / "0.jpg"
    sent.parent.mkdir(parents=True)
    for one in (sent, elsewhere):
        one.write_bytes(b"\xff\xd8\xff label")
    monkeypatch.setattr(
        runner, "read_pictures_with", lambda: ToldPictures({b"\xff\xd8\xff label": ("AL20-HX4",)})
    )
    places: list[JSON] = [str(sent), str(elsewhere)]
    names: list[JSON] = ["../IMG_0231.jpg", "IMG_0232.jpg"]
    desk = PlainDesk(WorkKind.READ_PICTURES, {"bay": "1", "places": places, "names": names})
    with kept_signals():
        do(home, desk)
    assert desk.state.outcome in (Outcome.DONE, Outcome.INCOMPLETE), desk.state
    assert isinstance(desk.state.result, dict)
    assert [one["picture"] for one in desk.state.result["pictures"]] == ["IMG_0231.jpg"]
    assert not sent.parent.exists()
    assert elsewhere.exists()


# ---------------------------------------------------------------------- the documented shape


def section(title: str) -> str:
    return re.split(r"^## ", DOCS.read_text().partition(f"## {title}\n")[2], flags=re.MULTILINE)[0]


def test_the_document_names_every_key_of_a_state() -> None:
    rows = re.findall(r"^\| ((?:`\w+`(?:, )?)+) \|", section("The state"), flags=re.MULTILINE)
    named = [name for row in rows for name in re.findall(r"`(\w+)`", row)]
    assert sorted(named) == sorted(state_json(WorkState()))


def test_the_keys_of_progress_that_the_document_names_are_there(desk: PlainDesk, telling: Telling) -> None:
    telling.tell(progress())
    telling.tell(StepProgress("copying", 1, 2))
    telling.end(Outcome.DONE)
    rows = {row.split("|")[1].strip(): row for row in section("The state").splitlines() if "|" in row}
    assert desk.state.step is not None
    for key, found in (("`progress`", desk.state.progress["1"]), ("`step`", desk.state.step)):
        named = re.findall(r"`([a-z_]+)`", rows[key].split("|")[2].partition(": ")[2])
        assert len(named) >= 5
        assert set(named) <= set(found)


def test_the_document_names_every_kind_and_request_and_the_keys_of_an_order() -> None:
    text = section("The order")
    rows = re.findall(r"^\| `([a-z-]+)` \|", text, flags=re.MULTILINE)
    assert sorted(rows) == sorted(WorkKind)
    for key in order_json(PlainDesk().order):
        assert f'"{key}"' in text
    for ask in Ask:
        assert ask in section("Requests")

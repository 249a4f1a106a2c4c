"""What a person does to a reading that runs, from the page: another condition, power, other wishes; and what
the page shows of it meanwhile."""

from __future__ import annotations

import os
import re
import signal
from collections.abc import Iterator
from html import unescape
from pathlib import Path

import pytest

from mendbay.case.agenda import PRESSES
from mendbay.imaging.hazard import Condition
from mendbay.jobs.drive_condition import said_condition
from mendbay.jobs.take_in import take_in
from mendbay.jobs.triage_case import answer
from mendbay.jobs.work_port import Outcome, Standing
from mendbay.outlets.scenario.small import make_small_scenario
from mendbay.triage.belief import Asked
from mendbay.wiring import works
from support.boxes import small_base
from support.commands import commands
from support.readings_in_browser import DRIVES, Readings
from support.web_client import Web, text_of
from support.works import WorkShop, until

SLOW = ("real_time = true", "seconds_per_sector = 0.0004", "refusal_seconds = 0.1")
BYTES = 24 << 20
"""Some twenty seconds of it."""


@pytest.fixture
def shop(web: Web) -> Iterator[WorkShop]:
    with web.bench() as bench:
        take_in(bench, "Quillmere Pottery")
    found = WorkShop(web.home)
    yield found
    for one in works(web.home).orders(1):
        if works(web.home).is_alive(one.id):
            os.kill(found.process(one.id), signal.SIGKILL)


@pytest.fixture
def readings(web: Web, shop: WorkShop) -> Readings:
    return Readings(web)


def slow_drive(shop: WorkShop, *lines: str) -> str:
    return shop.drive(*SLOW, *lines, name="d1", bytes_=BYTES)


def hidden(page: str, action: str) -> dict[str, str]:
    form = next(one for one in re.findall(r"<form.*?</form>", page, re.DOTALL) if f'action="{action}"' in one)
    return dict(re.findall(r'<input type="hidden" name="([^"]+)" value="([^"]*)"', form))


def test_a_drive_is_said_to_click_while_it_is_read(web: Web, shop: WorkShop, readings: Readings) -> None:
    readings.begin(bay_1="1", source_1=slow_drive(shop), condition_1="healthy")
    form = hidden(web.get(DRIVES), f"{DRIVES}/condition")
    page = web.done(f"{DRIVES}/condition", {**form, "condition": "clicks"})
    assert "read as one that clicks from now on" in text_of(page)
    warning = page.index("said to click")
    assert warning < page.index('id="drives-asked"'), "before anything that can be done"
    assert "may make a drive that clicks worse" in text_of(page[warning : page.index('id="drives-asked"')])
    until(lambda: readings.said("clicks"))
    readings.goes_on()
    assert "clicks" in text_of(readings.part("reading"))
    with web.bench() as bench:
        assert said_condition(bench, 1, "1") is Condition.CLICKS
    assert readings.stop().outcome is Outcome.STOPPED


def test_power_is_cut_by_whoever_sits_there(web: Web, shop: WorkShop, readings: Readings) -> None:
    readings.begin(bay_1="1", source_1=slow_drive(shop, "comes_back = true"))
    readings.ask("power-cycle", bay="1")
    until(lambda: readings.state.question is not None)
    page = web.get(DRIVES)
    assert "Cut the power of the drive in bay 1" in text_of(page)
    assert page.index("loses data every second") < page.index("Done: power is back")  # the caution is before
    assert "Cut and restore power of bay" not in text_of(readings.part("asked"))
    first = hidden(page, f"{DRIVES}/ask")
    web.done(f"{DRIVES}/ask", {**first, "answer": "yes"})
    until(lambda: readings.said("is back; reading goes on"))
    readings.goes_on()

    readings.ask("power-cycle", bay="1")
    until(lambda: readings.state.question is not None)
    web.done(f"{DRIVES}/ask", {**first, "answer": "yes"})  # to the question before: dropped
    assert readings.state.question is not None
    web.done(f"{DRIVES}/ask", {**hidden(web.get(DRIVES), f"{DRIVES}/ask"), "answer": "no"})
    until(lambda: readings.said("was not cut; reading goes on"))
    readings.goes_on()
    readings.stop()
    with web.bench() as bench:
        assert any("power" in one.what and one.who == "Kim" for one in bench.ledger.custody(1))


def test_whoever_looks_anywhere_is_told_that_a_reading_waits_for_them(
    web: Web, shop: WorkShop, readings: Readings
) -> None:
    readings.begin(bay_1="1", source_1=slow_drive(shop, "comes_back = true"))
    readings.goes_on()
    for page in ("/", "/cases", "/case/1"):
        until(lambda page=page: "the reading of bay 1 to end" in text_of(web.get(page)))  # type: ignore[misc]
    readings.ask("rest")
    until(lambda: "stands still" in text_of(web.get("/case/1")))
    readings.ask("power-cycle", bay="1")  # also while it rests
    until(lambda: readings.state.question is not None)
    until(lambda: PRESSES in text_of(web.get("/")))
    assert "At once" in text_of(web.get("/"))
    with commands() as program:
        told = program.run(["--home", str(web.home), "case", "today"]).stdout
    assert "At once" in told
    assert PRESSES in " ".join(told.split())
    for page in ("/", "/cases", "/case/1"):
        text = text_of(web.get(page))
        assert (PRESSES if page == "/cases" else "Cut the power of the drive in bay 1") in text, page
        assert "the reading of bay 1 to end" not in text, page
    web.done(f"{DRIVES}/ask", {**hidden(web.get(DRIVES), f"{DRIVES}/ask"), "answer": "yes"})
    until(lambda: readings.said("is back; it rests"))
    readings.ask("go-on")
    readings.goes_on()
    readings.stop()


def test_a_drive_that_is_to_get_no_power_is_not_asked_to_be_powered_again(
    web: Web, shop: WorkShop, readings: Readings
) -> None:
    readings.begin(bay_1="1", source_1=slow_drive(shop, "comes_back = true"))
    readings.ask("power-cycle", bay="1")
    until(lambda: readings.state.question is not None)
    with web.bench() as bench:
        answer(bench, 1, Asked("sound", "1"), "grinding")
    page = web.get(DRIVES)
    asked = text_of(page[page.index('id="drives-asked"') :])
    assert "leave it without" in asked
    assert asked.index("It has no power: end this reading") < asked.index("Power is back all the same")
    web.done(f"{DRIVES}/ask", {**hidden(page, f"{DRIVES}/ask"), "answer": "no"})
    readings.stop()
    assert "Not now: by what is known the drive of bay 1 gets no power." in text_of(web.get(DRIVES))


def test_power_is_cut_by_the_relay(web: Web, shop: WorkShop, readings: Readings) -> None:
    rung = web.home / "rung"
    relay = web.home / "relay"
    relay.write_text(f'#!/bin/sh\necho "$1" >> {rung}\n')
    relay.chmod(0o700)
    (web.home / "settings").mkdir(exist_ok=True)
    (web.home / "settings" / "power.toml").write_text(
        f'command = ["{relay}", "{{bay}}"]\nseconds = 30\nready_seconds = 0\nmost = 3\n'
    )
    readings.begin(bay_1="1", source_1=slow_drive(shop, "comes_back = true"))
    web.post(f"{DRIVES}/ask", {"work": readings.work, "ask": "power-cycle", "bay": "2"}, status=422)
    readings.ask("power-cycle", bay="1")
    until(lambda: readings.said("is back; reading goes on"))
    assert rung.read_text() == "1\n"
    assert readings.said("The relay cuts and restores the power of the drive in bay 1.")
    assert readings.state.question is None
    readings.goes_on()
    readings.stop()


def test_the_picture_follows_the_reading(web: Web, shop: WorkShop, readings: Readings) -> None:
    readings.begin(bay_1="1", source_1=slow_drive(shop, "refused = [[3000, 2]]"), tries="1")

    def rings() -> str:
        found = re.search(r'<svg[^>]*class="rings".*?</svg>', readings.part("reading"), re.DOTALL)
        return found[0] if found else ""

    until(lambda: "read" in rings())
    first = rings()
    readings.goes_on()
    until(lambda: rings() not in ("", first))
    now = readings.part("reading")
    assert "being read now" in now
    assert "time left" in now
    readings.ask("rest")
    until(lambda: readings.state.standing is Standing.RESTS)
    at_rest = readings.read_bytes()
    resting = readings.part("reading")
    assert "rests: the drives keep their power and are not read" in text_of(resting)
    assert "nothing is asked of it now" in text_of(resting)
    assert "being read" not in resting
    assert "is being read" not in text_of(web.get("/case/1"))  # nor says Next so
    readings.ask("go-on")
    until(lambda: readings.read_bytes() > at_rest)
    page = web.get(f"{DRIVES}?bay=1")
    assert "being read now" in page
    found = re.search(rf'hx-get="({DRIVES}/now\?part=drive[^"]*)"', page)
    assert found is not None
    address = unescape(found[1])
    assert web.get(address, status=204) == ""
    readings.stop()
    assert "being read now" not in readings.part("reading")  # the needle is gone with it
    assert "Stopped; everything read so far is kept" in text_of(web.get(address))


def test_what_is_wanted_is_changed_while_it_is_read(
    web: Web, shop: WorkShop, readings: Readings, tmp_path: Path
) -> None:
    base = small_base(tmp_path / "base")
    box = make_small_scenario(tmp_path / "box", 1, base=base, parted=False, refusals=0)
    for drive in box.drives:
        drive.write_text("real_time = true\nseconds_per_sector = 0.0008\n" + drive.read_text())
    web.done(f"{DRIVES}/wanted", {"patterns": "*.bin"})
    readings.begin(
        bay_1="1", source_1=f"unsteady:{box.drives[0]}", bay_2="2", source_2=f"unsteady:{box.drives[1]}"
    )
    until(lambda: any(one.get("wanted_bytes") for one in readings.state.progress.values()))
    seen = hidden(web.get(DRIVES), f"{DRIVES}/wanted")["seen"]
    web.done(f"{DRIVES}/wanted", {"patterns": "*.txt", "seen": seen})
    until(lambda: readings.said("The wishes of the case have changed"))
    late = web.post(f"{DRIVES}/wanted", {"patterns": "*.doc", "seen": seen}, status=409)
    assert "changed by somebody else" in text_of(late.text)
    readings.stop()

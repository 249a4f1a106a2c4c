"""The shop's relay: run as it stands, believed only when it says so, and never the only hope."""

from __future__ import annotations

import errno
import os
import signal
import stat
import tempfile
import time
from collections.abc import Sequence
from dataclasses import replace
from pathlib import Path

import pytest

from mendbay.core.errors import BadFormFile
from mendbay.inlets import power_relay
from mendbay.inlets.power_relay import PowerRelay, RelaySettings, relay_settings
from mendbay.jobs.events import Event, Said

SETTINGS = RelaySettings(("/bin/true",), 20.0, 0.0, 5)


class Bench:
    """Who hears what is said, and is asked where the relay fails."""

    def __init__(self, answer: bool = True) -> None:
        self.said: list[str] = []
        self.asked: list[str] = []
        self.answer = answer

    def tell(self, event: Event) -> None:
        assert isinstance(event, Said)
        self.said.append(event.text)

    def ask(self, bay: str) -> bool:
        self.asked.append(bay)
        return self.answer

    def relay(self, *command: str, **changes: object) -> PowerRelay:
        settings = replace(SETTINGS, command=command, **changes)  # type: ignore[arg-type]
        return PowerRelay(settings, self.tell, self.ask)


def script(folder: Path, *lines: str) -> str:
    path = folder / "relay"
    path.write_text("\n".join(("#!/bin/sh", *lines)) + "\n")
    path.chmod(path.stat().st_mode | stat.S_IXUSR)
    return str(path)


def test_it_is_run_word_for_word_with_the_bay_and_nobody_is_asked(tmp_path: Path) -> None:
    bench, out = Bench(), tmp_path / "out"
    words = ("$HOME", "a b", "bay={bay}", "*")
    assert bench.relay(script(tmp_path, f'printf "%s\\n" "$@" > {out}'), *words)("2")
    assert out.read_text().splitlines() == ["$HOME", "a b", "bay=2", "*"]
    assert bench.asked == []
    assert bench.said == ["The relay cuts and restores the power of the drive in bay 2."]


def test_one_that_fails_is_told_with_its_last_words_and_the_person_is_asked(tmp_path: Path) -> None:
    for answer in (True, False):
        bench = Bench(answer)
        assert bench.relay(script(tmp_path, "echo contact welded. >&2", "exit 7"))("1") is answer
        assert bench.asked == ["1"]
        assert "exit code 7 and said: contact welded. Look at the relay." in bench.said[-1]


def test_one_that_is_killed_is_not_believed(tmp_path: Path) -> None:
    bench = Bench(answer=False)
    assert not bench.relay(script(tmp_path, "kill -9 $$"))("1")
    assert "signal 9" in bench.said[-1]


def test_one_that_hangs_is_stopped_with_all_it_started(tmp_path: Path) -> None:
    bench, child = Bench(answer=False), tmp_path / "child"
    begun = time.monotonic()
    relay = bench.relay(script(tmp_path, "sleep 300 &", f"echo $! > {child}", "wait"), seconds=1.0)
    assert not relay("1")
    assert time.monotonic() - begun < 10
    assert "did not end within 1 seconds and was stopped. Look whether the drive has power" in bench.said[-1]
    assert bench.asked == ["1"]
    assert _is_gone(int(child.read_text()))


def test_one_that_takes_too_long_can_still_restore_the_power(tmp_path: Path) -> None:
    """Also where a script that is gone at once had it done by another program."""
    power, inner = tmp_path / "power", tmp_path / "inner"
    lines = (f"trap 'sleep 0.3; echo on > {power}; exit' TERM", f"echo off > {power}", "sleep 300 & wait")
    inner.write_text("\n".join(lines) + "\n")
    for command in (lines, (f"/bin/sh {inner} &", "sleep 300")):
        bench = Bench(answer=False)
        assert not bench.relay(script(tmp_path, *command), seconds=1.0)("1")
        assert power.read_text() == "on\n", command
        assert "did not end within 1 seconds and was stopped." in bench.said[-1]


def test_one_that_will_not_end_is_killed(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setattr(power_relay, "GRACE_SECONDS", 0.5)
    bench, own = Bench(answer=False), tmp_path / "own"
    command = script(tmp_path, "trap '' TERM", f"echo $$ > {own}", "sleep 300")
    assert not bench.relay(command, seconds=1.0)("1")
    assert "and was stopped" in bench.said[-1]
    assert _is_gone(int(own.read_text()))


def test_one_that_cannot_be_stopped_is_told_and_left(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    """As one that runs with the rights of another user."""

    def refused(group: int, number: int) -> None:
        raise PermissionError(errno.EPERM, "Operation not permitted")

    monkeypatch.setattr(power_relay, "GRACE_SECONDS", 0.2)
    bench, own = Bench(), tmp_path / "own"
    with monkeypatch.context() as changed:
        changed.setattr(os, "killpg", refused)
        assert bench.relay(script(tmp_path, f"echo $$ > {own}", "exec sleep 300"), seconds=1.0)("1")
    os.killpg(int(own.read_text()), signal.SIGKILL)
    assert "could not be stopped: it may still be at it. Look whether" in bench.said[-1]
    assert bench.asked == ["1"]


def test_neither_a_full_disk_nor_one_that_says_much_is_in_its_way(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    monkeypatch.setattr(tempfile, "tempdir", str(tmp_path / "no such folder"))
    bench, held = Bench(answer=False), tmp_path / "held"
    lines = (
        "head -c 4000000 /dev/zero | tr '\\0' x; echo",
        "sleep 0.5",
        f"stat -L -c %s /proc/$$/fd/1 > {held}",
        "echo contact welded; exit 7",
    )
    assert not bench.relay(script(tmp_path, *lines))("1")
    assert int(held.read_text()) <= power_relay.HELD_BYTES
    assert "exit code 7 and said: contact welded. Look" in bench.said[-1]


def _is_gone(process: int) -> bool:
    """Whether a process has ended, were it only not yet reaped."""
    end = time.monotonic() + 5
    while time.monotonic() < end:
        try:
            if Path(f"/proc/{process}/stat").read_text().rpartition(")")[2].split()[0] == "Z":
                return True
        except (FileNotFoundError, ProcessLookupError):
            return True
        time.sleep(0.02)
    return False


def test_one_that_is_missing_or_may_not_be_run_is_told(tmp_path: Path) -> None:
    bench = Bench()
    assert bench.relay(str(tmp_path / "nothing"))("1")
    assert "nothing cannot be started: No such file or directory. See settings/power.toml" in bench.said[-1]
    plain = tmp_path / "plain"
    plain.write_text("#!/bin/sh\n")
    plain.chmod(0o600)
    assert bench.relay(str(plain))("1")
    assert "cannot be started: Permission denied" in bench.said[-1]
    assert bench.asked == ["1", "1"]


def test_a_drive_that_stays_away_does_not_keep_the_relay_clicking(tmp_path: Path) -> None:
    bench, turns = Bench(answer=False), tmp_path / "turns"
    relay = bench.relay(script(tmp_path, f"echo {{}} >> {turns}"), most=2)
    assert [relay("1"), relay("1"), relay("1"), relay("2")] == [True, True, False, True]
    assert len(turns.read_text().splitlines()) == 3
    assert bench.asked == ["1"]
    assert any("2 times in this reading" in one for one in bench.said)


def test_the_drive_gets_its_time_to_come_up_unless_the_reading_is_stopped() -> None:
    bench = Bench()
    begun = time.monotonic()
    assert bench.relay("/bin/true", ready_seconds=0.5)("1")
    assert time.monotonic() - begun >= 0.5
    settings = replace(SETTINGS, ready_seconds=300.0)
    begun = time.monotonic()
    assert not PowerRelay(settings, bench.tell, bench.ask, lambda: True)("1")
    assert time.monotonic() - begun < 30
    assert bench.asked == [], "who stopped is not asked to do anything"


def test_a_command_in_a_session_of_its_own_without_a_keyboard(tmp_path: Path) -> None:
    bench, out = Bench(), tmp_path / "out"
    assert bench.relay(script(tmp_path, f"ps -o sid= -p $$ > {out}; readlink /proc/$$/fd/0 >> {out}"))("1")
    session, keyboard = out.read_text().split()
    assert int(session) != os.getsid(0)
    assert keyboard == "/dev/null"


@pytest.mark.parametrize(
    ("text", "found"),
    [
        ("command = [", "is not TOML"),
        ("", "no `command`"),
        ("command = []", "no `command`"),
        ('command = "/bin/relay 1"', "no `command`"),
        ("command = [1]", "no `command`"),
        ('command = ["relay"]', "without its whole path"),
        ('command = ["/bin/relay"]\nsecond = 3', "unknown key `second`"),
        ('command = ["/bin/relay"]\nseconds = 0', "as `seconds`"),
        ('command = ["/bin/relay"]\nseconds = "9"', "as `seconds`"),
        ('command = ["/bin/relay"]\nseconds = nan', "as `seconds`"),
        ('command = ["/bin/relay"]\nready_seconds = 601', "as `ready_seconds`"),
        ('command = ["/bin/relay"]\nmost = true', "as `most`"),
    ],
)
def test_settings_that_are_not_sound_are_refused_by_name(text: str, found: str) -> None:
    with pytest.raises(BadFormFile, match=r"settings/power\.toml") as caught:
        relay_settings(text)
    assert found in caught.value.what


@pytest.mark.parametrize(
    ("text", "made"),
    [
        ('command = ["/bin/relay", "{bay}"]', RelaySettings(("/bin/relay", "{bay}"), 60.0, 30.0, 5)),
        (
            'command = ["/bin/relay"]\nseconds = 5\nready_seconds = 0\nmost = 1',
            RelaySettings(("/bin/relay",), 5, 0, 1),
        ),
    ],
)
def test_settings_as_documented(text: str, made: RelaySettings) -> None:
    assert relay_settings(text) == made


def test_the_documented_example_is_sound() -> None:
    page: Sequence[str] = (Path(__file__).parents[3] / "docs/formats/power.md").read_text().split("```")
    made = relay_settings(page[1].removeprefix("toml\n"))
    assert made == RelaySettings(("/usr/local/bin/relay", "cycle", "--bay", "{bay}"), 60, 30, 5)

"""A relay that cuts and restores a drive's power: the shop's own command, named in `settings/power.toml`.

`docs/formats/power.md` describes the file. The command is run as it stands there, without a shell; what it
does with the power is its own affair, so it is never broken off while it may still be at it, and is believed
only if it ends with exit code 0.
"""

from __future__ import annotations

import os
import signal
import subprocess
import tempfile
import time
from collections import Counter
from collections.abc import Callable, Mapping
from contextlib import suppress
from dataclasses import dataclass
from typing import Any, BinaryIO

from mendbay.core.errors import BadFormFile
from mendbay.core.toml_text import NotToml, parse_toml
from mendbay.jobs.events import Said, Tell
from mendbay.jobs.ports import PowerCycle, never

BAY = "{bay}"
LONGEST_SECONDS = 600
MOST_WORDS = 64
SAID_BYTES = 200
"""How much of what the command says is passed on."""


@dataclass(frozen=True, slots=True)
class RelaySettings:
    """The command, a word each, `{bay}` standing for the label of the bay; how long it may take; how long the
    drive then gets to come up; and how often it is run for one drive in one reading. The figures are our own
    choice: a drive is ready 10 to 20 seconds after it gets power, and every start wears a failing one."""

    command: tuple[str, ...]
    seconds: float
    ready_seconds: float
    most: int


def relay_settings(text: str) -> RelaySettings:
    """The settings in the text of `settings/power.toml`.

    Raises:
        BadFormFile: it is not as documented.
    """
    try:
        found = parse_toml(text)
    except NotToml as trouble:
        raise _bad(str(trouble)) from None
    unknown = sorted(found.keys() - {"command", "seconds", "ready_seconds", "most"})
    if unknown:
        raise _bad(f"has the unknown key `{unknown[0][:40]}`")
    command = found.get("command")
    words = command if isinstance(command, list) else []
    if not 0 < len(words) <= MOST_WORDS or not all(isinstance(one, str) and "\0" not in one for one in words):
        raise _bad("has no `command` that is a list of texts, the program and its words")
    if not words[0].startswith("/"):
        raise _bad("names a program without its whole path, so that any of that name could be run")
    return RelaySettings(
        tuple(words),
        _figure(found, "seconds", 1, LONGEST_SECONDS, 60.0),
        _figure(found, "ready_seconds", 0, LONGEST_SECONDS, 30.0),
        int(_figure(found, "most", 1, 100, 5)),
    )


def _figure(found: Mapping[str, Any], key: str, least: int, most: int, usual: float) -> float:
    given = found.get(key, usual)
    if isinstance(given, bool) or not isinstance(given, int | float) or not least <= given <= most:
        raise _bad(f"has no number from {least} to {most} as `{key}`")
    return given


def _bad(found: str) -> BadFormFile:
    return BadFormFile(
        f"settings/power.toml {found}.", "Correct it there, or move it away to be asked at the bench instead."
    )


class PowerRelay:
    """A `PowerCycle` that runs the shop's command, and hands over to somebody else where that fails.

    Args:
        settings: the command.
        tell: is told what is done and what went wrong.
        stop: whether the reading is to end; asked while the drive comes up.
        otherwise: asked where the command failed or was run often enough: the person at the bench.
    """

    def __init__(
        self, settings: RelaySettings, tell: Tell, otherwise: PowerCycle, stop: Callable[[], bool] = never
    ) -> None:
        self._settings = settings
        self._tell = tell
        self._otherwise = otherwise
        self._stop = stop
        self._turns: Counter[str] = Counter()

    def __call__(self, bay: str) -> bool:
        if self._turns[bay] >= self._settings.most:
            self._tell(
                Said(
                    f"The relay has cut the power of the drive in bay {bay} {self._turns[bay]} times in this "
                    "reading; it does so no more by itself."
                )
            )
            return self._otherwise(bay)
        self._turns[bay] += 1
        self._tell(Said(f"The relay cuts and restores the power of the drive in bay {bay}."))
        trouble = self._run(bay)
        if trouble:
            self._tell(Said(f"The power of the drive in bay {bay} was not cycled for certain: {trouble}"))
            return self._otherwise(bay)
        return self._has_come_up()

    def _has_come_up(self) -> bool:
        """Gives the drive its time; False if the reading was stopped meanwhile."""
        end = time.monotonic() + self._settings.ready_seconds
        while not self._stop():
            left = end - time.monotonic()
            if left <= 0:
                return True
            time.sleep(min(left, 0.2))
        return False

    def _run(self, bay: str) -> str:
        """Runs the command; what went wrong, as sentences, empty if nothing did."""
        words = [one.replace(BAY, bay) for one in self._settings.command]
        with tempfile.TemporaryFile() as said:
            try:
                process = subprocess.Popen(  # noqa: S603
                    words,
                    stdin=subprocess.DEVNULL,
                    stdout=said,
                    stderr=said,
                    start_new_session=True,  # Ctrl-C at the keyboard must not leave the power cut
                )
            except OSError as trouble:
                return f"{words[0]} cannot be started: {trouble.strerror}. See settings/power.toml."
            try:
                code = process.wait(self._settings.seconds)
            except subprocess.TimeoutExpired:
                _end(process)
                return (
                    f"{words[0]} did not end within {self._settings.seconds:g} seconds and was stopped. "
                    "Look whether the drive has power."
                )
            if code == 0:
                return ""
            return f"{words[0]} ended with {_code_words(code)}{_last_words(said)}. Look at the relay."


def _end(process: subprocess.Popen[bytes]) -> None:
    """Kills the command and what it started. One that cannot be killed is left: nobody waits for it."""
    with suppress(ProcessLookupError):
        os.killpg(process.pid, signal.SIGKILL)
    with suppress(subprocess.TimeoutExpired):
        process.wait(timeout=1.0)


def _code_words(code: int) -> str:
    return f"exit code {code}" if code > 0 else f"signal {-code}"


def _last_words(said: BinaryIO) -> str:
    """The last line of what a command said, as an addition to a sentence."""
    size = said.seek(0, os.SEEK_END)
    said.seek(max(0, size - SAID_BYTES))
    lines = said.read(SAID_BYTES).decode("utf-8", "replace").split("\n")
    last = next((line.strip() for line in reversed(lines) if line.strip()), "")
    return f" and said: {last.rstrip('.')}" if last else ""

"""A relay that cuts and restores a drive's power: the shop's own command, named in `settings/power.toml`.

`docs/formats/power.md` describes the file. The command is run as it stands there, without a shell, and is
believed only if it ends with exit code 0. It may be between cutting the power and restoring it at any moment:
a stop of the reading does not reach it, and past its time it is told to end and can still restore the power
before it is killed.
"""

from __future__ import annotations

import fcntl
import os
import signal
import subprocess
import time
from collections import Counter
from collections.abc import Callable, Mapping, Sequence
from contextlib import suppress
from dataclasses import dataclass
from types import TracebackType
from typing import Any, Self

from mendbay.core.errors import BadFormFile
from mendbay.core.toml_text import NotToml, parse_toml
from mendbay.jobs.events import Said, Tell
from mendbay.jobs.ports import PowerCycle, never

BAY = "{bay}"
LONGEST_SECONDS = 600
MOST_WORDS = 64
SAID_BYTES = 200
"""How much of what the command says is passed on."""
HELD_BYTES = 64 << 10
"""More of what the command says is not held for longer than between two looks."""
LOOK_SECONDS = 0.05
GRACE_SECONDS = 5.0
"""How long a command that was told to end may take for it, to restore the power (own choice: a relay switches
within a second)."""


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
        try:
            command = _Command(words)
        except OSError as trouble:
            return f"{words[0]} cannot be started: {trouble.strerror}. See settings/power.toml."
        with command:
            code = command.code_within(self._settings.seconds)
            if code is None:
                ended = "was stopped" if command.stop() else "could not be stopped: it may still be at it"
                return (
                    f"{words[0]} did not end within {self._settings.seconds:g} seconds and {ended}. "
                    "Look whether the drive has power."
                )
            if code == 0:
                return ""
            return (
                f"{words[0]} ended with {_code_words(code)}{_last_words(command.said())}. Look at the relay."
            )


class _Command:
    """The command while it runs, in a session of its own: Ctrl-C at the keyboard must not leave the power
    cut. What it says goes into memory. A full disk does not disturb it there, and neither does Mendbay's end,
    which would break a pipe between cutting and restoring.

    Raises:
        OSError: it cannot be started.
    """

    def __init__(self, words: Sequence[str]) -> None:
        self._last = b""
        self._said = os.memfd_create("said")
        try:
            # Whatever is said goes to the end, also after the front was cut off.
            fcntl.fcntl(self._said, fcntl.F_SETFL, fcntl.fcntl(self._said, fcntl.F_GETFL) | os.O_APPEND)
            self._process = subprocess.Popen(  # noqa: S603
                words,
                stdin=subprocess.DEVNULL,
                stdout=self._said,
                stderr=self._said,
                start_new_session=True,
            )
        except BaseException:
            os.close(self._said)
            raise

    def __enter__(self) -> Self:
        return self

    def __exit__(
        self, kind: type[BaseException] | None, error: BaseException | None, trace: TracebackType | None
    ) -> None:
        os.close(self._said)

    def code_within(self, seconds: float) -> int | None:
        """Its exit code, negative for a signal; None if it has not ended in that time."""
        self._wait(seconds, self._has_ended)
        return self._process.poll()

    def stop(self) -> bool:
        """Tells it and what it started to end, and kills what has not done so in time.

        Returns:
            Whether the command is gone. One that runs with rights of its own, or hangs in the kernel, is
            left, and nobody waits for it.
        """
        self._send(signal.SIGTERM)
        if not self._wait(GRACE_SECONDS, self._is_gone_with_all):
            self._send(signal.SIGKILL)
        return self._wait(1.0, self._has_ended)

    def said(self) -> bytes:
        """The end of what it has said."""
        size = os.fstat(self._said).st_size
        return (self._last + os.pread(self._said, SAID_BYTES, max(0, size - SAID_BYTES)))[-SAID_BYTES:]

    def _wait(self, seconds: float, over: Callable[[], bool]) -> bool:
        end = time.monotonic() + seconds
        while not over():
            left = end - time.monotonic()
            if left <= 0:
                return False
            if os.fstat(self._said).st_size > HELD_BYTES:
                self._last = self.said()
                os.ftruncate(self._said, 0)
            time.sleep(min(left, LOOK_SECONDS))
        return True

    def _has_ended(self) -> bool:
        return self._process.poll() is not None

    def _is_gone_with_all(self) -> bool:
        """Whether also nothing that it started is left: a script may end before the program it ran."""
        self._process.poll()
        try:
            os.killpg(self._process.pid, 0)
        except ProcessLookupError:
            return True
        except PermissionError:
            pass
        return False

    def _send(self, number: signal.Signals) -> None:
        with suppress(ProcessLookupError, PermissionError):
            os.killpg(self._process.pid, number)


def _code_words(code: int) -> str:
    return f"exit code {code}" if code > 0 else f"signal {-code}"


def _last_words(said: bytes) -> str:
    """The last line of what a command said, as an addition to a sentence."""
    lines = said.decode("utf-8", "replace").split("\n")
    last = next((line.strip() for line in reversed(lines) if line.strip()), "")
    return f" and said: {last.rstrip('.')}" if last else ""

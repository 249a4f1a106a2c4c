"""What the command line shows: answers, tables and progress, for people or as one JSON document."""

from __future__ import annotations

import json
import os
import re
import select
import shutil
import signal
import sys
import termios
import textwrap
import threading
import time
from collections.abc import Callable, Iterator, Sequence
from contextlib import contextmanager, suppress
from pathlib import Path
from types import FrameType
from typing import Any, TextIO

import click

from mendbay.faces import wording
from mendbay.faces.cli.progress_words import drives_line, step_line
from mendbay.faces.plain_text import CONTROLS, without_controls
from mendbay.faces.printable import printable as printable
from mendbay.jobs.events import Advised, Event, ReadingProgress, Resting, Said, StepProgress

WIDTH = 80
ANSWER_LOOK_SECONDS = 0.1
"""How soon Ctrl-C is heeded while an answer is waited for in another thread than the one that gets it."""
ANSWERS = {"y": True, "yes": True, "n": False, "no": False}


class Screen:
    """The terminal in front of the person, or the program at the other end of the pipe.

    Args:
        home: where cases are kept; None for the default of this machine.
        as_json: answer as one JSON document.
        quiet: no progress.
    """

    def __init__(self, home: str | None, as_json: bool, quiet: bool) -> None:
        self.home = Path(home) if home else None
        self.as_json = as_json
        self._progress = not quiet and sys.stderr.isatty()
        self._question = ""
        self._line = ""
        self._stopping = False
        self._drives: dict[str, tuple[ReadingProgress, float]] = {}
        self._drawing = threading.RLock()

    # ------------------------------------------------------------------ answers

    def answer(self, facts: Any, text: str) -> None:
        """The result of a command: `facts` for programs, `text` for people."""
        self.end_progress()
        if self.as_json:
            click.echo(json_text(facts, indent=2))
        else:
            click.echo(fitted(without_controls(text), sys.stdout))

    def say(self, text: str) -> None:
        """A sentence on the way, for people only. A terminal that was closed does not end the job."""
        if not self.as_json:
            with self._drawing, suppress(OSError):
                self.end_progress()
                click.echo(fitted(without_controls(text), sys.stdout))

    def warn(self, text: str) -> None:
        """A sentence to be minded, on the error stream, for people only; nothing for an empty one."""
        if text and not self.as_json:
            with self._drawing:
                self.end_progress()
                click.echo(wrapped(without_controls(text), "", "  "), err=True)

    # ------------------------------------------------------------------ progress

    def tell(self, event: Event) -> None:
        """Draws an event of a running job on the error stream; a terminal gets a line that changes."""
        with self._drawing:
            if isinstance(event, Said):
                if not self.as_json:
                    self._say_beside(without_controls(event.text))
            elif isinstance(event, Advised):
                if not self.as_json:
                    self._say_beside(wrapped(without_controls(event.text), "", "  "))
            elif not isinstance(event, Resting) and self._progress and not self._question:
                self._draw(event)

    def end_progress(self) -> None:
        """Takes the line that changes off the terminal, so that what is written next has one of its own."""
        with self._drawing:
            if self._line:
                _onto_terminal("\r" + " " * len(self._line) + "\r")
                self._line = ""

    def _say_beside(self, text: str) -> None:
        """Says something on the error stream; a question that waits for its answer is shown again below."""
        self.end_progress()
        if self._question:
            _onto_terminal("\n")
        click.echo(fitted(text, sys.stderr), err=True)
        if self._question:
            _onto_terminal(self._question)

    def _draw(self, event: ReadingProgress | StepProgress) -> None:
        width = columns(sys.stderr) - 1
        if isinstance(event, ReadingProgress):
            now = time.monotonic()
            self._drives[event.bay] = (event, now)
            line = drives_line([(one, now - told) for one, told in self._drives.values()], width)
        else:
            self._drives.clear()
            line = step_line(event)
        line = without_controls(line, one_line=True)[:width]
        _onto_terminal("\r" + line.ljust(len(self._line)))
        self._line = line

    # ------------------------------------------------------------------ stopping and asking

    @contextmanager
    def stoppable(self) -> Iterator[Callable[[], bool]]:
        """While open, the first Ctrl-C asks the job to stop cleanly and the second stops it at once.

        Yields:
            A function that says whether the job should stop.
        """
        self._stopping = False

        def on_signal(number: int, frame: FrameType | None) -> None:
            if self._stopping:
                raise KeyboardInterrupt
            self._stopping = True
            self.end_progress()
            if self._question:
                _onto_terminal("\nStopping.\n")
            else:
                click.echo("Stopping after the read under way; press Ctrl-C again to stop at once.", err=True)

        before = {number: signal.signal(number, on_signal) for number in (signal.SIGINT, signal.SIGTERM)}
        try:
            yield lambda: self._stopping
        finally:
            for number, handler in before.items():
                signal.signal(number, handler)

    @contextmanager
    def told_to_end(self) -> Iterator[None]:
        """While open, being told to end (SIGTERM, or the terminal closing) is as Ctrl-C: the job says how far
        it came. The second time ends it at once, as ever."""

        def on_signal(number: int, frame: FrameType | None) -> None:
            signal.signal(number, before[signal.Signals(number)])
            raise KeyboardInterrupt

        ends = (signal.SIGTERM, signal.SIGHUP)
        heeded = [number for number in ends if signal.getsignal(number) is not signal.SIG_IGN]
        before = {number: signal.signal(number, on_signal) for number in heeded}
        try:
            yield
        finally:
            for number, handler in before.items():
                signal.signal(number, handler)

    def ask_power_cycle(self, bay: str) -> bool:
        """Asks the technician to cut and restore a drive's power.

        Returns:
            Whether it was done; False also where nobody can be asked, and once the job is to stop.
        """
        if self.as_json or not sys.stdin.isatty():
            return False
        ask = f"Cut the power of the drive in bay {bay}, wait until it stands still, restore it."
        with self._drawing:
            self.end_progress()
            click.echo(fitted(without_controls(ask), sys.stderr), err=True)
            # Another drive may be read meanwhile: its progress waits while there is a question.
            self._question = "Has it been done, and shall reading go on? [y/n]: "
        try:
            termios.tcflush(sys.stdin.fileno(), termios.TCIFLUSH)  # typed before the question, so no answer
            while (typed := self._typed()) is not None:
                if typed.strip().lower() in ANSWERS:
                    return ANSWERS[typed.strip().lower()]
            return False
        finally:
            self._question = ""

    def _typed(self) -> str | None:
        """Shows the question and waits for a line; None at the end of the input, and once the job is to stop.

        Python's own reading of the keyboard cannot be broken off in a thread that gets no signals, and a
        thread that hangs in it brings the program down at its end; so the terminal is looked at instead.
        """
        _onto_terminal(self._question)
        keyboard = sys.stdin.fileno()
        while not self._stopping:
            if select.select([keyboard], [], [], ANSWER_LOOK_SECONDS)[0]:
                try:
                    line = os.read(keyboard, 1024)
                except OSError:  # the terminal was closed
                    return None
                return line.decode("utf-8", "replace") if line else None
        return None


def _onto_terminal(text: str) -> None:
    """Draws on the error stream. A terminal that was closed in the middle of a job must not end the job."""
    with suppress(OSError):
        sys.stderr.write(text)
        sys.stderr.flush()


def json_text(facts: Any, indent: int | None = None) -> str:
    """Facts as JSON, signs that a terminal would act on or that cannot be written as JSON's own escapes."""
    text = json.dumps(facts, ensure_ascii=False, indent=indent)
    return CONTROLS.sub(lambda one: f"\\u{ord(one[0]):04x}", text)


def table(rows: Sequence[Sequence[str]], head: Sequence[str], right: Sequence[int] = ()) -> str:
    """Rows as aligned columns under a head; `right` are the columns that are aligned to the right."""
    widths = [max(len(row[at]) for row in [head, *rows]) for at in range(len(head))]

    def line(row: Sequence[str]) -> str:
        cells = [
            cell.rjust(widths[at]) if at in right else cell.ljust(widths[at]) for at, cell in enumerate(row)
        ]
        return "  ".join(cells).rstrip()

    room = WIDTH - sum(widths[:-1]) - 2 * (len(widths) - 1)
    widths[-1] = max(len(head[-1]), min(widths[-1], room))  # only its rule: the last column is never cut
    return "\n".join([line(head), line(["-" * width for width in widths]), *map(line, rows)])


_GLUE = "\N{NO-BREAK SPACE}"


def columns(stream: TextIO) -> int:
    """How many columns the terminal of a stream has; 80 where it is none, or does not say."""
    with suppress(ValueError):
        if (stated := int(os.environ.get("COLUMNS", ""))) > 0:
            return stated
    with suppress(OSError, ValueError):
        return os.get_terminal_size(stream.fileno()).columns or WIDTH
    return WIDTH


def wrapped(text: str, indent: str = "", hang: str = "    ", width: int | None = None) -> str:
    """A sentence broken into lines that fit the terminal; lines after the first are indented by `hang`, and
    none begins with the sign of a percentage.

    Args:
        width: of a line; None for that of the terminal, within reason.
    """
    if width is None:
        width = max(40, min(shutil.get_terminal_size((WIDTH, 24)).columns, 100))
    return "\n".join(
        textwrap.wrap(
            text.replace(" %", f"{_GLUE}%"),
            width,
            initial_indent=indent,
            subsequent_indent=indent + hang,
            break_long_words=False,
            break_on_hyphens=False,
        )
    ).replace(_GLUE, " ")


def fitted(text: str, stream: TextIO) -> str:
    """A text whose lines fit the terminal of a stream, 80 columns where it is none: longer ones go on in the
    next line, between words. A line that fits is left, and so is a name too long with a word before it. A
    command to be typed stays whole; one that no line has room for does so on the error stream alone."""
    width = max(40, columns(stream))
    most = None if stream is sys.stderr else width - len(_HANG)
    return "\n".join(line if len(line) <= width else _broken(line, width, most) for line in text.split("\n"))


_HANG = "  "
_ARGUMENT = (
    r"""(?:--?[a-z][\w-]*|[A-Z][A-Z.-]*\b|\d[^\s,;]*|'[^']*'|"[^"]*"|[^\s,;]*[/=*:.|][^\s,;]+|yes\b|no\b)"""
)


def _commands_whole(line: str, most: int | None) -> str:
    """The line with every command in it held together, as far as its arguments can be told from a sentence.

    Args:
        most: how long a command may be; None for any.
    """
    called = re.escape(wording.called_as())
    command = rf"(?<!\S){called} [a-z-]+(?: [a-z-]+)?(?: (?:[a-z][a-z-]* ){{0,2}}{_ARGUMENT})*"

    def held(found: re.Match[str]) -> str:
        return found[0] if most is not None and len(found[0]) > most else found[0].replace(" ", _GLUE)

    return re.sub(command, held, line)


def _broken(line: str, width: int, most: int | None) -> str:
    indent = line[: len(line) - len(line.lstrip(" "))]
    broken = wrapped(_commands_whole(line[len(indent) :], most), indent, _HANG, width)
    lines = broken.split("\n")
    return line if len(lines) == 2 and len(lines[1]) > width else broken

"""What the command line shows: answers, tables and progress, for people or as one JSON document."""

from __future__ import annotations

import json
import re
import shutil
import signal
import sys
import textwrap
from collections.abc import Callable, Iterator, Sequence
from contextlib import contextmanager, suppress
from pathlib import Path
from types import FrameType
from typing import Any

import click

from mendbay.core.quantity import bytes_text, duration_text, percent_text
from mendbay.jobs.events import Advised, Event, Phase, ReadingProgress, Said, StepProgress

WIDTH = 80
PHASES = {
    Phase.DESCRIPTION: "descriptions",
    Phase.WANTED: "wanted first",
    Phase.REST: "the rest",
    Phase.FETCH: "looking",
}


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
        self._asking = False
        self._line = ""
        self._stopping = False

    # ------------------------------------------------------------------ answers

    def answer(self, facts: Any, text: str) -> None:
        """The result of a command: `facts` for programs, `text` for people."""
        self._clear()
        if self.as_json:
            click.echo(json_text(facts, indent=2))
        else:
            click.echo(without_controls(text))

    def say(self, text: str) -> None:
        """A sentence on the way, for people only. A terminal that was closed does not end the job."""
        if not self.as_json:
            self._clear()
            with suppress(OSError):
                click.echo(without_controls(text))

    def warn(self, text: str) -> None:
        """A sentence to be minded, on the error stream, for people only; nothing for an empty one."""
        if text and not self.as_json:
            self._clear()
            click.echo(wrapped(without_controls(text), "", "  "), err=True)

    # ------------------------------------------------------------------ progress

    def tell(self, event: Event) -> None:
        """Draws an event of a running job on the error stream; a terminal gets a line that changes."""
        if isinstance(event, Said):
            if not self.as_json:
                self._clear()
                click.echo(without_controls(event.text), err=True)
        elif isinstance(event, Advised):
            if not self.as_json:
                self._clear()
                click.echo(wrapped(without_controls(event.text), "", "  "), err=True)
        elif self._progress and not self._asking:
            self._draw(without_controls(_progress_line(event), one_line=True))

    def _draw(self, line: str) -> None:
        width = shutil.get_terminal_size((WIDTH, 24)).columns - 1
        line = line[:width]
        _onto_terminal("\r" + line.ljust(len(self._line)))
        self._line = line

    def _clear(self) -> None:
        if self._line:
            _onto_terminal("\r" + " " * len(self._line) + "\r")
            self._line = ""

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
            self._clear()
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
        """Asks the technician to cut and restore a drive's power; False where nobody can be asked."""
        if self.as_json or not sys.stdin.isatty():
            return False
        self._clear()
        self._asking = True  # another drive may be read meanwhile: its progress waits
        try:
            return click.confirm(
                f"Cut the power of the drive in bay {bay}, wait until it stands still, restore it.\n"
                "Has it been done, and shall reading go on?",
                default=True,
                err=True,
            )
        finally:
            self._asking = False


def _onto_terminal(text: str) -> None:
    """Draws on the error stream. A terminal that was closed in the middle of a job must not end the job."""
    with suppress(OSError):
        sys.stderr.write(text)
        sys.stderr.flush()


_UNSEEN = "\x7f-\x9f\u061c\u200e\u200f\u2028-\u202e\u2066-\u2069\ud800-\udfff"
_CONTROLS = re.compile(f"[\x00-\x08\x0b-\x1f{_UNSEEN}]")
_CONTROLS_AND_BREAKS = re.compile(f"[\x00-\x1f{_UNSEEN}]")


def without_controls(text: str, *, one_line: bool = False) -> str:
    """A text in which nothing moves the cursor, speaks to the terminal or turns the direction of writing:
    names come from outside. Such signs, and bytes that are no text, are written as escapes.

    Args:
        one_line: line breaks and tabs count as such signs.
    """
    return (_CONTROLS_AND_BREAKS if one_line else _CONTROLS).sub(lambda one: _escape(ord(one[0])), text)


def _escape(sign: int) -> str:
    if 0xDC80 <= sign <= 0xDCFF:
        return f"\\x{sign - 0xDC00:02x}"  # a byte of a file's name
    return f"\\x{sign:02x}" if sign < 0x100 else f"\\u{sign:04x}"


def json_text(facts: Any, indent: int | None = None) -> str:
    """Facts as JSON, signs that a terminal would act on or that cannot be written as JSON's own escapes."""
    text = json.dumps(facts, ensure_ascii=False, indent=indent)
    return _CONTROLS.sub(lambda one: f"\\u{ord(one[0]):04x}", text)


def _progress_line(event: ReadingProgress | StepProgress) -> str:
    if isinstance(event, StepProgress):
        if event.in_bytes:
            return f"{event.step}: {bytes_text(event.done)} of {bytes_text(event.total)} {event.now}"
        return f"{event.step} {event.done} of {event.total} {event.now}"
    tried = event.read_bytes + event.refused_bytes
    share = percent_text(min(tried, event.aim_bytes), event.aim_bytes)
    left = "" if event.seconds_left is None else f", {duration_text(event.seconds_left)} left"
    refused = f", {bytes_text(event.refused_bytes)} refused" if event.refused_bytes else ""
    return (
        f"bay {event.bay}, {PHASES[event.phase]}: {share}, at {bytes_text(event.now.start)}, "
        f"{bytes_text(int(event.bytes_per_second))}/s{left}{refused}"
    )


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


def wrapped(text: str, indent: str = "", hang: str = "    ") -> str:
    """A sentence broken into lines that fit the terminal; lines after the first are indented by `hang`, and
    none begins with the sign of a percentage."""
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


def printable(raw: bytes) -> str:
    """A name from a customer's drive for the terminal: what is not plain text shows as an escape, so
    that no name can move the cursor or hide another."""
    text = raw.decode("utf-8", "surrogateescape")
    return "".join(
        f"\\x{ord(one) - 0xDC00:02x}"
        if "\udc80" <= one <= "\udcff"
        else one
        if one.isprintable() and one != "\\"
        else "".join(f"\\x{byte:02x}" for byte in one.encode())
        for one in text
    )

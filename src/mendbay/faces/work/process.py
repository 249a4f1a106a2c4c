"""The process of one work: `python -m mendbay.faces.work.process HOME ID`.

It ends with 0 once the state says how the work ended, whatever that was; with another code it could not even
begin, or the end could not be written.
"""

from __future__ import annotations

import os
import signal
import sys
import traceback
from pathlib import Path
from types import FrameType

os.environ.setdefault("OPENBLAS_NUM_THREADS", "1")
"""As on the command line: it is read when numpy is first imported."""

from mendbay.core.clock import SystemClock  # noqa: E402
from mendbay.core.errors import EXIT_DONE, Interrupted, MendbayError  # noqa: E402
from mendbay.faces.plain_text import without_controls  # noqa: E402
from mendbay.faces.work.runner import TELLS_TO_STOP, Runner, trouble_of  # noqa: E402
from mendbay.faces.work.telling import Telling  # noqa: E402
from mendbay.jobs.work_options import options_of  # noqa: E402
from mendbay.jobs.work_port import Desk, Outcome, Trouble  # noqa: E402
from mendbay.wiring import open_desk  # noqa: E402

EXIT_UNWRITTEN = 74
"""The end could not be written: a full or failing disk."""


def main(words: list[str]) -> int:
    """Does the work that is named, and returns the exit code.

    Args:
        words: the shop's home and the name of the work.
    """
    if len(words) != 2:
        print("usage: python -m mendbay.faces.work.process HOME ID", file=sys.stderr)
        return 2
    home = Path(words[0])
    try:
        with open_desk(home, words[1]) as desk:
            return EXIT_DONE if do(home, desk) else EXIT_UNWRITTEN
    except MendbayError as trouble:
        print(without_controls(f"{trouble.what} {trouble.next_step}"), file=sys.stderr)
        return trouble.exit_code


def do(home: Path, desk: Desk) -> bool:
    """Does the work of a desk, and writes how it ended.

    Returns:
        Whether the end could be written.
    """
    telling = Telling(desk, SystemClock(), stops_when_telling=desk.order.kind in TELLS_TO_STOP)

    def on_signal(number: int, frame: FrameType | None) -> None:
        telling.told_to_end()

    for number in (signal.SIGTERM, signal.SIGINT):
        signal.signal(number, on_signal)
    signal.signal(signal.SIGHUP, signal.SIG_IGN)
    return carry(home, desk, telling)


def carry(home: Path, desk: Desk, telling: Telling) -> bool:
    """The same, deaf to signals."""
    telling.begin()
    runner = Runner(home, desk.order, telling)
    trouble: MendbayError | None = None
    try:
        outcome = runner.do(options_of(desk.order))
    except Interrupted as stopped:
        outcome, trouble = Outcome.STOPPED, stopped
    except Exception as problem:
        outcome, trouble = Outcome.FAILED, trouble_of(problem)
        if trouble is not problem:
            print(without_controls(traceback.format_exc()), file=sys.stderr)
    return telling.end(
        outcome,
        trouble=None if trouble is None else _told(trouble),
        result=runner.result,
        words=runner.words,
    )


def _told(trouble: MendbayError) -> Trouble:
    return Trouble(type(trouble).__name__, trouble.what, trouble.next_step, trouble.exit_code)


if __name__ == "__main__":
    sys.exit(main(sys.argv[1:]))

"""The command line in a process for every command, without the second that a process takes to import it.

One server imports what the commands import, reads the data files that come with the program, and runs no
command; each is a fork of it, so that nothing of one command is in the memory of the next. Where the program
itself is asked (signals, closed terminals, how fast it starts), it must be started itself.
"""

from __future__ import annotations

import importlib
import json
import os
import pkgutil
import signal
import subprocess
import sys
import tempfile
import time
import traceback
from collections.abc import Iterable, Iterator
from contextlib import contextmanager
from inspect import signature
from pathlib import Path
from types import ModuleType
from typing import Any, NoReturn

import mendbay
from mendbay.faces.cli.main import main
from mendbay.jobs.learn_triage import worlds_of
from mendbay.triage.effects import classes_of
from mendbay.triage.worlds import Subject


class Commands:
    """Runs commands one after the other; see `commands`.

    Args:
        folder: where their output is written to.
    """

    def __init__(self, folder: Path) -> None:
        self._folder = folder
        self._server = subprocess.Popen(
            [sys.executable, __file__], stdin=subprocess.PIPE, stdout=subprocess.PIPE, text=True
        )

    def run(self, words: Iterable[str], timeout: float = 180) -> subprocess.CompletedProcess[str]:
        """What `python -m mendbay.faces.cli.main WORDS` says, with the environment and folder of now."""
        given = list(words)
        assert self._server.stdin is not None
        assert self._server.stdout is not None
        asked = {
            "words": given,
            "folder": str(self._folder),
            "here": str(Path.cwd()),
            "environment": dict(os.environ),
            "timeout": timeout,
        }
        self._server.stdin.write(json.dumps(asked) + "\n")
        self._server.stdin.flush()
        code = json.loads(self._server.stdout.readline())
        if code is None:
            raise subprocess.TimeoutExpired(given, timeout)
        out, err = ((self._folder / name).read_text("utf-8") for name in ("out", "err"))
        return subprocess.CompletedProcess(given, code, out, err)

    def close(self) -> None:
        """Ends the server."""
        assert self._server.stdin is not None
        assert self._server.stdout is not None
        self._server.stdin.close()
        self._server.wait(timeout=30)
        self._server.stdout.close()


@contextmanager
def commands() -> Iterator[Commands]:
    """A server of commands, while open."""
    with tempfile.TemporaryDirectory() as folder:
        server = Commands(Path(folder))
        try:
            yield server
        finally:
            server.close()


def _serve() -> None:
    for one in pkgutil.walk_packages(mendbay.__path__, "mendbay."):
        _read_what_is_packaged(importlib.import_module(one.name))
    classes_of(worlds_of((), Subject(("1", "2"))))
    for line in sys.stdin:
        asked = json.loads(line)
        child = os.fork()
        if not child:
            _be_the_program(asked)
        print(json.dumps(_ended(child, asked["timeout"])), flush=True)


def _read_what_is_packaged(module: ModuleType) -> None:
    """Reads the data files that come with the program and are kept once read, so that no command has to."""
    for name, found in vars(module).items():
        if name.startswith("packaged_") and hasattr(found, "cache_info") and not signature(found).parameters:
            found()


def _be_the_program(asked: dict[str, Any]) -> NoReturn:
    """Becomes what the process of a command is: its words, its environment, its streams, its exit code."""
    try:
        for stream, name, flags in (
            (0, os.devnull, os.O_RDONLY),
            (1, f"{asked['folder']}/out", os.O_WRONLY | os.O_CREAT | os.O_TRUNC),
            (2, f"{asked['folder']}/err", os.O_WRONLY | os.O_CREAT | os.O_TRUNC),
        ):
            os.dup2(os.open(name, flags, 0o600), stream)
        os.chdir(asked["here"])
        os.environ.clear()
        os.environ.update(asked["environment"])
        sys.argv = ["mendbay", *asked["words"]]
        sys.stdin = os.fdopen(0, encoding="utf-8", closefd=False)
        main()
    except SystemExit as leaving:
        code = leaving.code if isinstance(leaving.code, int) else int(leaving.code is not None)
    except BaseException:
        traceback.print_exc()
        code = 1
    sys.stdout.flush()
    sys.stderr.flush()
    os._exit(code)


def _ended(child: int, timeout: float) -> int | None:
    """The exit code of a child, as subprocess gives it; None if it took too long and was killed."""
    deadline = time.monotonic() + timeout
    while time.monotonic() < deadline:
        ended, status = os.waitpid(child, os.WNOHANG)
        if ended:
            return os.waitstatus_to_exitcode(status)
        time.sleep(0.005)
    os.kill(child, signal.SIGKILL)
    os.waitpid(child, 0)
    return None


if __name__ == "__main__":
    _serve()

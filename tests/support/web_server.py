"""The bench served by a process of its own, as its user starts it."""

from __future__ import annotations

import json
import os
import subprocess
import sys
from collections.abc import Iterator, Mapping
from contextlib import contextmanager
from dataclasses import dataclass
from pathlib import Path

WORDS = [sys.executable, "-m", "mendbay.faces.cli.main"]


@dataclass
class Served:
    """A server, and what it said of itself."""

    process: subprocess.Popen[str]
    url: str
    needs_key: bool


@contextmanager
def served(home: Path, *more: str, port: int = 0, env: Mapping[str, str] | None = None) -> Iterator[Served]:
    """The server until the end of the `with`; killed then, if it is still there."""
    words = [*WORDS, "--home", str(home), "--json", "bench", "serve", "--port", str(port), *more]
    process = subprocess.Popen(
        words, stdout=subprocess.PIPE, stderr=subprocess.PIPE, text=True, env={**os.environ, **(env or {})}
    )
    try:
        assert process.stdout is not None
        said = process.stdout.readline()
        assert said, process.stderr.read() if process.stderr else ""
        told = json.loads(said)
        yield Served(process, told["url"], told["needs_key"])
    finally:
        process.kill()
        process.communicate()

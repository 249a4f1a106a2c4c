"""What the server says at its own terminal, of addresses and faults that come from outside."""

from __future__ import annotations

import signal
import subprocess
import sys
import urllib.error
import urllib.request
from pathlib import Path

import pytest

from support.looked_everywhere import UNSEEN

FAULTY = r"""
import sys
import mendbay.faces.web.visit as visit
from mendbay.faces.web.__main__ import main

def broken(*given, **more):
    raise ValueError("a drive says \x1b[31mred\x07\u202e")

visit.open_bench = broken
sys.exit(main())
"""


def test_nothing_from_outside_speaks_to_the_terminal_of_the_server(tmp_path: Path) -> None:
    words = [sys.executable, "-c", FAULTY, "--home", str(tmp_path / "home"), "--port", "0"]
    pipe = subprocess.PIPE
    with subprocess.Popen(words, stdout=pipe, stderr=pipe, text=True) as process:
        try:
            assert process.stdout is not None
            url = process.stdout.readline().removeprefix("The bench is at ").strip()
            with pytest.raises(urllib.error.HTTPError, match="500"):
                urllib.request.urlopen(f"{url}case/1/drives/%1b[2J/not-read.csv", timeout=30)
            process.send_signal(signal.SIGTERM)
            _, said = process.communicate(timeout=20)
        finally:
            process.kill()
    assert not UNSEEN.search(said)
    assert r"GET /case/1/drives/\x1b[2J/not-read.csv" in said.splitlines()
    assert r"ValueError: a drive says \x1b[31mred\x07\u202e" in said

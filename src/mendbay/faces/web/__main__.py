"""`python -m mendbay.faces.web`: serves the bench. `mendbay bench serve` becomes this process."""

from __future__ import annotations

import argparse
import json
import sys
from contextlib import suppress
from pathlib import Path

from mendbay.core.errors import MendbayError
from mendbay.faces.plain_text import without_controls
from mendbay.faces.web.serve import PORT, Listening, Served, serve
from mendbay.faces.web.server_log import log_plainly


def _json(served: Served) -> str:
    return json.dumps({"url": served.url, "needs_key": served.needs_key})


def main() -> int:
    """Serves until told to end; returns the exit code."""
    reader = argparse.ArgumentParser(prog="mendbay bench serve")
    reader.add_argument("--home", type=Path)
    reader.add_argument("--address", default="127.0.0.1")
    reader.add_argument("--port", type=int, default=PORT)
    reader.add_argument("--name", action="append", default=[])
    reader.add_argument("--with-key", action="store_true")
    reader.add_argument("--phone-port", type=int, default=0)
    reader.add_argument("--json", action="store_true")
    asked = reader.parse_args()
    where = Listening(asked.address, asked.port, tuple(asked.name), asked.with_key, asked.phone_port)
    log_plainly()
    try:
        serve(asked.home, where, lambda one: print(_json(one) if asked.json else one.words, flush=True))
    except MendbayError as trouble:
        if asked.json:
            shape = {"kind": type(trouble).__name__, "what": trouble.what, "next_step": trouble.next_step}
            print(json.dumps({"error": {**shape, "exit_code": trouble.exit_code}}))
        else:
            told = f"mendbay: {trouble.what}\nNext: {trouble.next_step}"
            print(without_controls(told), file=sys.stderr)
        return trouble.exit_code
    if not asked.json:
        with suppress(OSError):  # its terminal may be gone
            print("The bench no longer answers. What is being read goes on.", flush=True)
    return 0


if __name__ == "__main__":
    sys.exit(main())

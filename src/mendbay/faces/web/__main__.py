"""`python -m mendbay.faces.web`: serves the bench. `mendbay bench serve` becomes this process."""

from __future__ import annotations

import argparse
import sys
from pathlib import Path

from mendbay.core.errors import MendbayError
from mendbay.faces.web.serve import PORT, Listening, serve


def main() -> int:
    """Serves until told to end; returns the exit code."""
    reader = argparse.ArgumentParser(prog="mendbay bench serve")
    reader.add_argument("--home", type=Path)
    reader.add_argument("--address", default="127.0.0.1")
    reader.add_argument("--port", type=int, default=PORT)
    reader.add_argument("--name", action="append", default=[])
    reader.add_argument("--with-key", action="store_true")
    reader.add_argument("--phone-port", type=int, default=0)
    asked = reader.parse_args()
    where = Listening(asked.address, asked.port, tuple(asked.name), asked.with_key, asked.phone_port)
    try:
        serve(asked.home, where, lambda line: print(line, flush=True))
    except MendbayError as trouble:
        print(f"mendbay: {trouble.what}\nNext: {trouble.next_step}", file=sys.stderr)
        return trouble.exit_code
    return 0


if __name__ == "__main__":
    sys.exit(main())

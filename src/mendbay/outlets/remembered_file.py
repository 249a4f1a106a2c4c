"""What was worked out once, in a file that may be thrown away at any time."""

from __future__ import annotations

import json
import os
from collections.abc import Mapping
from contextlib import suppress
from pathlib import Path
from typing import Any

from mendbay.jobs.remembered_port import Remembered

LIMIT_BYTES = 16 << 20
"""A file beyond this is not ours, and is not read."""


class RememberedFile(Remembered):
    """One JSON object in a file; whatever is wrong with it reads as nothing remembered.

    Args:
        path: of the file; its folder must be there.
    """

    def __init__(self, path: Path) -> None:
        self._path = path

    def recall(self) -> Mapping[str, Any]:
        try:
            with self._path.open("rb") as file:
                data = file.read(LIMIT_BYTES + 1)
            found = json.loads(data) if len(data) <= LIMIT_BYTES else None
        except (OSError, ValueError, RecursionError):
            return {}
        return found if isinstance(found, dict) else {}

    def keep(self, results: Mapping[str, Any]) -> None:
        fresh = self._path.with_name(f"{self._path.name}.{os.getpid()}")
        try:
            fresh.write_text(json.dumps(results, ensure_ascii=False), encoding="utf-8")
            fresh.replace(self._path)  # a reader sees the old or the new, never half
        except OSError:
            with suppress(OSError):
                fresh.unlink()

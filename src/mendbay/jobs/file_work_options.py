"""The options of works on files: one that reads a file of a case, one that checks a hand-back in a folder."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass
from pathlib import Path

from mendbay.core.errors import UsageError


@dataclass(frozen=True, slots=True)
class ReadFile:
    """As `files show` takes them. `path` is raw, from the root of the volume."""

    path: bytes

    @classmethod
    def of(cls, parts: Sequence[str]) -> ReadFile:
        """
        Args:
            parts: of the path, each in hexadecimal, as a name need not be text.

        Raises:
            UsageError: they are no path.
        """
        try:
            raw = [bytes.fromhex(one) for one in parts]
        except ValueError:
            raw = []
        if not raw or any(not one or b"/" in one or b"\0" in one for one in raw):
            raise UsageError(
                "The option path names no file.", "Give its folders and its name, in hexadecimal."
            )
        return cls(b"/".join(raw))


@dataclass(frozen=True, slots=True)
class CheckHandBack:
    """As `handback check` takes them."""

    folder: Path

    @classmethod
    def of(cls, folder: str) -> CheckHandBack:
        """
        Raises:
            UsageError: it is not named from the root on.
        """
        place = Path(folder)
        if not place.is_absolute() or ".." in place.parts:
            raise UsageError(
                f"The folder {folder[:200]} is not named from the root on.",
                "Name the folder with its whole path.",
            )
        return cls(place)


def path_option(path: bytes) -> list[str]:
    """A raw path as the option of an order."""
    return [one.hex() for one in path.split(b"/") if one]

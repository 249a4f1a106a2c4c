"""The description of an unsteady drive: a small TOML file beside an image. `docs/unsteady.md` explains it.

    image = "bay-2.img"
    seed = 7
    refused = [[120000, 3], [500001, 1]]
    weak = [{ at = 130000, count = 20, refuses = 2 }]
    slow = [{ at = 200000, count = 64, seconds = 0.5 }]
    random = { errors = 200, weak = 0.3 }

Numbers of sectors count from 0. Unknown keys are refused, so that a misspelt one cannot pass unnoticed.
"""

from __future__ import annotations

import hashlib
import json
from collections.abc import Callable
from dataclasses import dataclass, field, fields
from itertools import pairwise
from pathlib import Path
from typing import Any, TypeVar

import numpy as np

from mendbay.core.errors import UsageError
from mendbay.core.span import Span, SpanSet
from mendbay.core.toml_text import NotToml, parse_toml
from mendbay.inlets.damage import Chance, Damage, draw, expand
from mendbay.inlets.fault_plan import Faults

WEAK_MOST = 10_000_000
"""Weak sectors are kept one by one; more than this is a mistake in the description."""

ERRORS = ("EIO", "ENODATA", "ETIMEDOUT", "EREMOTEIO", "ENOLINK", "EILSEQ")
"""What a drive's refusal looks like to a program (Linux, block/blk-core.c, `blk_errors`)."""

Row = TypeVar("Row")
Range = tuple[int, int]
"""First sector and number of sectors."""


@dataclass(frozen=True, slots=True)
class Weak:
    """Sectors from `at` on that each refuse `refuses` times and then give."""

    at: int
    refuses: int
    count: int = 1


@dataclass(frozen=True, slots=True)
class Slow:
    """Sectors from `at` on that each cost `seconds` more."""

    at: int
    seconds: float
    count: int = 1


@dataclass(frozen=True, slots=True)
class UnsteadyDescription:
    """All that is written about an unsteady drive. Zero switches a limit off; paths are absolute.

    `physical_bytes` is what it says of its physical sectors, 0 for `sector_bytes`; no more follows from it.
    `hang` sectors never answer; `hang_seconds` bounds that on a real loop device. `vanish_at` sectors, and
    every read after the first `vanish_after_reads` since power came, take the drive off the bus, at most
    `vanish_times` times in all if that is not 0; with `comes_back` it is there again when it is looked for,
    as if its power had been cut. Once the drive has refused `dies_after_refusals` reads, or
    worked `dies_after_seconds` by its own model of time, it refuses everything. A read costs
    `command_seconds`, `seek_seconds` if it does not begin where the last one ended, `seconds_per_sector`, and
    `refusal_seconds` if refused. With `real_time` that time really passes. With `state_file` the wear
    outlives the process.
    """

    image: Path
    sector_bytes: int = 512
    physical_bytes: int = 0
    seed: int = 0
    model: str = ""
    serial: str = ""
    error: str = "EIO"
    refused: tuple[Range, ...] = ()
    weak: tuple[Weak, ...] = ()
    slow: tuple[Slow, ...] = ()
    hang: tuple[Range, ...] = ()
    hang_seconds: float = 60.0
    vanish_at: tuple[Range, ...] = ()
    vanish_after_reads: int = 0
    vanish_times: int = 0
    comes_back: bool = False
    dies_after_refusals: int = 0
    dies_after_seconds: float = 0.0
    command_seconds: float = 0.0005
    seek_seconds: float = 0.008
    seconds_per_sector: float = 3.4e-6
    refusal_seconds: float = 3.0
    patience_seconds: float = 30.0
    real_time: bool = False
    state_file: Path | None = None
    random: Chance = field(default_factory=Chance)

    @property
    def sectors(self) -> int:
        """Sectors of the image, a ragged last one included.

        Raises:
            UsageError: there is no such image.
        """
        return -(-self.image_bytes // self.sector_bytes)

    @property
    def image_bytes(self) -> int:
        try:
            return self.image.stat().st_size
        except OSError as trouble:
            raise UsageError(
                f"The image {self.image} of the unsteady drive cannot be used: {trouble.strerror}",
                "Correct `image` in the description; it is relative to the description's own folder",
            ) from None

    def faults(self) -> Faults:
        """The faults in full: what is listed, and what is drawn from the seed.

        Raises:
            UsageError: there is no such image, or it is too small for what is to be drawn.
        """
        try:
            drawn = draw(self.random, self.sectors, self.seed)
        except ValueError as trouble:
            raise UsageError(
                f"The random damage of {self.image} cannot be drawn: {trouble}", "Ask for fewer `errors`"
            ) from None
        weak_at, weak_refuses = self._weak_columns(drawn)
        slow = sorted(self.slow, key=lambda one: one.at)
        return Faults(
            refused=_sectors(self.refused) | drawn.refused,
            hang=_sectors(self.hang),
            vanish_at=_sectors(self.vanish_at),
            weak_at=weak_at,
            weak_refuses=weak_refuses,
            slow_first=np.array([one.at for one in slow], dtype=np.int64),
            slow_stop=np.array([one.at + one.count for one in slow], dtype=np.int64),
            slow_seconds=np.array([one.seconds for one in slow], dtype=np.float64),
            vanish_after_reads=self.vanish_after_reads,
            vanish_times=self.vanish_times,
            dies_after_refusals=self.dies_after_refusals,
            dies_after_seconds=self.dies_after_seconds,
            command_seconds=self.command_seconds,
            seek_seconds=self.seek_seconds,
            seconds_per_sector=self.seconds_per_sector,
            refusal_seconds=self.refusal_seconds,
        )

    def _weak_columns(self, drawn: Damage) -> tuple[Any, Any]:
        """Weak sectors, sorted, and their refusals; where two entries meet, the first listed counts."""
        at = [expand(SpanSet([Span.at(one.at, one.count)])) for one in self.weak]
        refuses = [np.full(one.count, one.refuses, dtype=np.int64) for one in self.weak]
        all_at = np.concatenate([*at, drawn.weak_at])
        all_refuses = np.concatenate([*refuses, drawn.weak_refuses])
        unique, first = np.unique(all_at, return_index=True)
        return unique, all_refuses[first]

    def fingerprint(self) -> str:
        """What tells whether kept wear belongs to this description: it changes with the damage, not with
        the folder the description lies in."""
        text = dump(self, self.image.parent) + str(self.image_bytes)
        return hashlib.sha256(text.encode()).hexdigest()[:32]


def _sectors(ranges: tuple[Range, ...]) -> SpanSet:
    return SpanSet(Span.at(first, count) for first, count in ranges)


def load_unsteady(path: Path) -> UnsteadyDescription:
    """Reads a description.

    Raises:
        UsageError: it cannot be read, is not TOML, or a key is unknown or has an impossible value; the
            message names the key.
    """
    try:
        text = path.read_text(encoding="utf-8")
    except (OSError, UnicodeDecodeError) as trouble:
        why = trouble.strerror if isinstance(trouble, OSError) else "it is not text"
        raise UsageError(
            f'The description "{path}" of an unsteady drive cannot be read: {why}',
            "Check the name and the file",
        ) from None
    return parse(text, path.parent, str(path))


def parse(text: str, folder: Path, name: str = "The description") -> UnsteadyDescription:
    """A description from its text; paths in it are relative to `folder`.

    Raises:
        UsageError: as `load_unsteady`.
    """
    try:
        table = parse_toml(text)
    except NotToml as trouble:
        raise UsageError(f"{name} {trouble}", "Correct it there") from None
    known = {one.name for one in fields(UnsteadyDescription)}
    for key in table:
        if key not in known:
            raise _bad(name, key, "is no key of a description")
    if "image" not in table:
        raise _bad(name, "image", "is missing")
    values: dict[str, Any] = {}
    for key, value in table.items():
        try:
            values[key] = _READ[key](value) if key in _READ else _plain(key, value)
        except (TypeError, ValueError) as trouble:
            raise _bad(name, key, f"cannot be {json.dumps(value, default=str)[:80]}: {trouble}") from None
    for key in ("image", "state_file"):
        if key in values:
            values[key] = (folder / values[key]).absolute()
    return UnsteadyDescription(**values)


def _bad(name: str, key: str, what: str) -> UsageError:
    return UsageError(f"{name}: `{key}` {what}", "Look up the keys in docs/unsteady.md")


def _number(value: object) -> float:
    if isinstance(value, bool) or not isinstance(value, int | float):
        raise TypeError("a number is needed")
    if not 0 <= value < 1e15:
        raise ValueError("it must be 0 or more")
    return float(value)


def _count(value: object) -> int:
    if isinstance(value, bool) or not isinstance(value, int):
        raise TypeError("a whole number is needed")
    if not 0 <= value < 1 << 53:
        raise ValueError("it must be 0 or more")
    return value


def _some(value: object) -> int:
    if _count(value) < 1:
        raise ValueError("it must be 1 or more")
    return _count(value)


def _text(value: object) -> str:
    if not isinstance(value, str):
        raise TypeError("a text is needed")
    return value


def _plain(key: str, value: object) -> object:
    """A value of the kind that the key's default has."""
    default = next(one.default for one in fields(UnsteadyDescription) if one.name == key)
    if isinstance(default, bool):
        if not isinstance(value, bool):
            raise TypeError("true or false is needed")
        return value
    if isinstance(default, int):
        return _count(value)
    return _number(value) if isinstance(default, float) else _text(value)


def _list(value: object) -> list[object]:
    if not isinstance(value, list):
        raise TypeError("a list is needed")
    return value


def _table(value: object) -> dict[str, object]:
    if not isinstance(value, dict):
        raise TypeError("a table is needed")
    return value


def _range(value: object) -> Range:
    pair = _list(value)
    if len(pair) != 2:
        raise ValueError("a range is [first sector, number of sectors]")
    return _count(pair[0]), _some(pair[1])


def _ranges(value: object) -> tuple[Range, ...]:
    return tuple(_range(one) for one in _list(value))


def _sector_size(value: object) -> int:
    if _count(value) not in (512, 4096):
        raise ValueError("sectors have 512 or 4096 bytes")
    return _count(value)


def _physical_size(value: object) -> int:
    if _count(value) not in (0, 512, 4096):
        raise ValueError("physical sectors have 512 or 4096 bytes")
    return _count(value)


def _error(value: object) -> str:
    if value not in ERRORS:
        raise ValueError(f"it must be one of {', '.join(ERRORS)}")
    return _text(value)


def _weak(value: object) -> tuple[Weak, ...]:
    found = _rows(value, Weak, {"at": _count, "refuses": _some, "count": _some})
    if sum(one.count for one in found) > WEAK_MOST:
        raise ValueError(f"more than {WEAK_MOST:,} weak sectors")
    return found


def _slow(value: object) -> tuple[Slow, ...]:
    found = _rows(value, Slow, {"at": _count, "seconds": _number, "count": _some})
    ordered = sorted(found, key=lambda one: one.at)
    if any(one.at + one.count > next_.at for one, next_ in pairwise(ordered)):
        raise ValueError("two ranges overlap")
    return found


def _rows(
    value: object, make: Callable[..., Row], readers: dict[str, Callable[[object], Any]]
) -> tuple[Row, ...]:
    return tuple(make(**_read_row(_table(row), readers)) for row in _list(value))


def _read_row(row: dict[str, object], readers: dict[str, Callable[[object], Any]]) -> dict[str, Any]:
    """The values of a row whose keys are those of `readers`; only `count` may be left out."""
    for key in row.keys() - readers.keys():
        raise ValueError(f"`{key}` is not known there")
    for key in readers.keys() - row.keys() - {"count"}:
        raise ValueError(f"`{key}` is missing")
    return {key: readers[key](one) for key, one in row.items()}


def _share(value: object) -> float:
    if _number(value) > 1:
        raise ValueError("a share lies between 0 and 1")
    return _number(value)


def _chance(value: object) -> Chance:
    shares = ("near", "runs", "first_tenth", "weak")
    values: dict[str, Any] = {
        key: _share(one) if key in shares else _chance_count(key, one) for key, one in _table(value).items()
    }
    found = Chance(**values)
    if found.errors > WEAK_MOST or found.scratches * found.scratch_tracks > WEAK_MOST:
        raise ValueError(f"more than {WEAK_MOST:,} places")
    return found


def _chance_count(key: str, value: object) -> int:
    if key not in {one.name for one in fields(Chance)}:
        raise ValueError(f"`{key}` is not known there")
    return _count(value)


_READ: dict[str, Callable[[object], Any]] = {
    "image": _text,
    "state_file": _text,
    "sector_bytes": _sector_size,
    "physical_bytes": _physical_size,
    "error": _error,
    "refused": _ranges,
    "hang": _ranges,
    "vanish_at": _ranges,
    "weak": _weak,
    "slow": _slow,
    "random": _chance,
}


def dump(description: UnsteadyDescription, folder: Path | None = None) -> str:
    """The description as TOML, only what differs from the defaults.

    Args:
        folder: where the file will lie: paths below it are written relative to it.
    """
    lines = []
    for one in fields(UnsteadyDescription):
        value = getattr(description, one.name)
        default = Chance() if one.name == "random" else one.default
        if value != default:
            lines.append(f"{one.name} = {_toml(value, folder)}")
    return "\n".join(lines) + "\n"


def _toml(value: object, folder: Path | None) -> str:
    if isinstance(value, bool):
        return "true" if value else "false"
    if isinstance(value, Path):
        if folder is not None and value.is_relative_to(folder):
            value = value.relative_to(folder)
        return _quoted(str(value))
    if isinstance(value, str):
        return _quoted(value)
    if isinstance(value, tuple):
        return "[" + ", ".join(_toml(one, folder) for one in value) + "]"
    if isinstance(value, Weak | Slow | Chance):
        parts = [f"{one.name} = {_toml(getattr(value, one.name), folder)}" for one in fields(value)]
        return "{ " + ", ".join(parts) + " }"
    return repr(value)


def _quoted(text: str) -> str:
    """A TOML basic string: its escapes are those of JSON, and DEL has to be escaped as well."""
    return json.dumps(text, ensure_ascii=False).replace("\x7f", "\\u007f")

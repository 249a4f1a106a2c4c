"""A simulated serial-flash chip described by a small TOML file, its memory kept in another file.

    memory = "donor.rom"
    id = "ef 40 12"
    supply = [2.7, 3.6]
    faults = { noise = 0.0001, power_lost_at = 700 }

The other keys are the fields of `FlashDescription` and `FlashFaults`; an erase unit is `[bytes, opcode]` or
`[bytes, opcode, opcode with a four-byte address]`. Unknown keys are refused.
"""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import fields, replace
from pathlib import Path
from typing import Any

from mendbay.board.sfdp import EraseType
from mendbay.core.errors import UsageError
from mendbay.core.toml_text import NotToml, parse_toml
from mendbay.inlets.simulated_flash import (
    LARGEST_CHIP,
    FlashDescription,
    FlashFaults,
    SimulatedBus,
    SimulatedChip,
    check_description,
)

LARGEST_DESCRIPTION = 1 << 16
"""Bytes; whoever names a file may name one of any size, or a device that never ends."""


def open_simulated_flash(path: Path) -> SimulatedBus:
    """The bus with the chip a TOML file describes. Its memory is kept in the file the description names.

    A memory file that is not there is made, erased, if `size_bytes` says how large.

    Raises:
        UsageError: the description or the memory file cannot be used.
    """
    table = _load(path)
    memory = table.pop("memory", None)
    if not isinstance(memory, str) or not memory:
        raise _wrong(path, "`memory` must name a file")
    held = path.parent / memory
    try:
        if not held.exists() and isinstance(table.get("size_bytes"), int):
            held.write_bytes(b"\xff" * min(table["size_bytes"], LARGEST_CHIP))
        if held.exists() and not held.is_file():
            raise _wrong(path, f"its memory {held} is no file")
        size = held.stat().st_size
        content = held.read_bytes() if size <= LARGEST_CHIP else b""
    except OSError as trouble:
        raise _wrong(path, f"its memory {held} cannot be used: {trouble.strerror}") from None
    description = _described(path, table, size)
    return SimulatedBus(SimulatedChip(description, content, _keeper(held)), f"simulated: {path.name}")


def _load(path: Path) -> dict[str, Any]:
    try:
        if not path.is_file():
            raise _wrong(path, "it is no file")
        with path.open("rb") as file:
            text = file.read(LARGEST_DESCRIPTION + 1)
        if len(text) > LARGEST_DESCRIPTION:
            raise _wrong(path, "it is too large for a description")
        return parse_toml(text.decode("utf-8"))
    except OSError as trouble:
        raise _wrong(path, trouble.strerror or "it cannot be read") from None
    except UnicodeDecodeError:
        raise _wrong(path, "is not text in UTF-8") from None
    except NotToml as trouble:
        raise _wrong(path, str(trouble)) from None


def _described(path: Path, table: dict[str, Any], size: int) -> FlashDescription:
    """The description from its table. Unknown keys are refused, so that a misspelt one does not pass."""
    faults = table.get("faults", {})
    if not isinstance(faults, dict):
        raise _wrong(path, "`faults` must be a table")
    strange = sorted(set(table) - _names(FlashDescription)) + sorted(set(faults) - _names(FlashFaults))
    if strange:
        raise _wrong(path, f"`{strange[0]}` is not known")
    for key, kinds in _NUMBERS.items():
        value: Any = faults.get(key, table.get(key, 0))
        if not isinstance(value, kinds) or value < 0:
            raise _wrong(path, f"`{key}` is {value!r}")
    if table.get("size_bytes", size) != size:
        raise _wrong(path, f"its memory has {size} bytes, and `size_bytes` says {table['size_bytes']}")
    if not isinstance(table.get("id"), str):
        raise _wrong(path, "`id` is missing")
    try:
        values = dict(table, size_bytes=size, id=bytes.fromhex(table["id"]), faults=FlashFaults(**faults))
        if "supply" in table:
            low, high = (float(one) for one in table["supply"])
            values["supply"] = (low, high)
        if "erase" in table:
            rows = [[int(part) for part in row] for row in table["erase"]]
            values["erase"] = tuple(sorted(EraseType(*row) for row in rows))
        if "sfdp" in table:
            values["sfdp"] = bytes.fromhex(table["sfdp"])
        made = FlashDescription(**values)
    except (TypeError, ValueError) as trouble:
        raise _wrong(path, str(trouble)) from None
    check_description(made, None)
    return replace(made, erase=tuple(one for one in made.erase if size % one.size_bytes == 0))


_NUMBERS: dict[str, Any] = {
    "page_bytes": int,
    "protection": int,
    "program_polls": int,
    "erase_polls": int,
    "seed": int,
    "asleep": int,
    "noise": (int, float),
    "loose": (int, float),
    "power_lost_at": int,
    "endurance": int,
}
"""What kind of number each must be; none may be negative."""


def _names(kind: type[FlashDescription] | type[FlashFaults]) -> set[str]:
    return {one.name for one in fields(kind)}


def _keeper(path: Path) -> Callable[[int, bytes], None]:
    def keep(offset: int, data: bytes) -> None:
        with path.open("r+b") as held:
            held.seek(offset)
            held.write(data)

    return keep


def _wrong(path: Path, why: str) -> UsageError:
    return UsageError(f"The simulated chip {path} cannot be used: {why}", "Correct its description")

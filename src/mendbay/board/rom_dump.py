"""One read of a ROM chip: its bytes, a name for people, and what is known of the chip they came from."""

from __future__ import annotations

from dataclasses import dataclass
from hashlib import sha256

import numpy as np
import numpy.typing as npt

from mendbay.core.errors import DumpUnproven

Bytes = npt.NDArray[np.uint8]
Bits = npt.NDArray[np.bool_]
Int64s = npt.NDArray[np.int64]

SMALLEST, LARGEST = 1 << 10, 64 << 20
"""Sizes taken, in bytes: smaller is no ROM, larger no board's."""


@dataclass(frozen=True, slots=True)
class Dump:
    """A whole read. Made by `dump_of`, which holds the limits.

    Args:
        data: the bytes in the order they were read.
        name: what to call it in sentences, such as a file name.
        sha256: of `data`, as hexadecimal digits.
        chip_id: answer of the chip to Read ID as hexadecimal digits; empty if not known.
        chip_size: bytes that the id stands for; None if not known.
    """

    data: bytes
    name: str
    sha256: str
    chip_id: str = ""
    chip_size: int | None = None

    @property
    def array(self) -> Bytes:
        """The bytes as an array, shape (size,), not writable and not copied."""
        return np.frombuffer(self.data, np.uint8)


def dump_of(data: bytes, name: str, chip_id: str = "", chip_size: int | None = None) -> Dump:
    """The read as a `Dump`.

    Raises:
        DumpUnproven: fewer than 1 KiB or more than 64 MiB.
    """
    if not SMALLEST <= len(data) <= LARGEST:
        raise DumpUnproven(
            f"{name} has {len(data)} bytes; a dump has between {SMALLEST} and {LARGEST}",
            "read the whole chip again and give the file that the programmer wrote",
        )
    return Dump(bytes(data), name, sha256(data).hexdigest(), chip_id, chip_size)

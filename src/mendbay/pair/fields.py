"""On-disk structures as tables of fields: one line per field, with its offset and its format."""

from __future__ import annotations

from typing import Any

import numpy as np

Record = np.dtype[np.void]
Row = Any
"""One parsed structure; `row["field"]` is a numpy scalar."""


def layout(size_bytes: int, *fields: tuple[str, int, str]) -> Record:
    """A structure of `size_bytes` from (name, offset, numpy format) rows; gaps between fields are allowed.

    Raises:
        ValueError: a field reaches past the end.
    """
    return np.dtype(
        {
            "names": [name for name, _, _ in fields],
            "offsets": [offset for _, offset, _ in fields],
            "formats": [form for _, _, form in fields],
            "itemsize": size_bytes,
        }
    )


def parse(record: Record, data: bytes, offset: int = 0) -> Row:
    """The structure at `offset` of `data`, which must hold all of it.

    Raises:
        ValueError: `data` is too short.
    """
    return np.frombuffer(data, record, count=1, offset=offset)[0]


def pack(record: Record, **values: Any) -> bytes:
    """The structure with these values; fields not named, and the space between fields, are zero."""
    row = np.zeros(1, record)
    for name, value in values.items():
        row[name] = value
    return row.tobytes()

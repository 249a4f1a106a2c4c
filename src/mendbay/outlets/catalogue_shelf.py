"""Catalogues in the folders of their cases: `catalogue/GENERATION/`, one file for each column.

A new generation is written beside the old one and gets its name in one step, when all of it is durable. The
old one is removed at once: whoever has it mapped keeps what was mapped. Nothing that is read back is believed
before it was checked.
"""

from __future__ import annotations

import errno
import fcntl
import json
import math
import os
import re
import secrets
from collections.abc import Callable, Iterator, Mapping
from contextlib import contextmanager, suppress
from dataclasses import asdict
from pathlib import Path
from tokenize import TokenError
from typing import Any, BinaryIO

import google_crc32c
import numpy as np
from numpy.typing import NDArray

from mendbay.case.records import Case
from mendbay.core.errors import DestinationError, NoRoom
from mendbay.files.catalogue import Catalogue
from mendbay.files.catalogue_rows import DTYPES, Columns, Unsound, require_sound
from mendbay.jobs.catalogue_port import FOLDER, CatalogueFacts, Catalogues, DamagedCatalogue, KeptCatalogue
from mendbay.outlets.safe_folder import SafeFolder

FACTS = "facts.json"
FORMAT = "catalogue 2"
BEGUN = "begun-"
_GENERATION = re.compile(r"([0-9]{6,12})-[0-9a-f]{8}")
PLAIN_BYTES = ("names", "folded")
"""Columns that are kept as they are, without a header."""
FACTS_LIMIT_BYTES = 64 << 20
CHUNK_BYTES = 4 << 20
OPENING_TRIES = 5
"""How often a generation is looked for again that another process replaced while it was being opened."""
Column = NDArray[np.generic]


class CatalogueShelf(Catalogues):
    """The catalogues below one folder.

    Args:
        root: the folder that holds a folder for each case.
        require_kept: called with a case's number before anything is written, and again at the end; what it
            raises for a case that was forgotten goes through.
    """

    def __init__(self, root: Path, require_kept: Callable[[int], None] = lambda number: None) -> None:
        self._root = root
        self._require_kept = require_kept

    def keep(self, case: Case, columns: Columns, facts: CatalogueFacts) -> str:
        self._require_kept(case.number)
        with self._folder(case, "kept") as folder:
            folder.make_folder(FOLDER)
            begun = f"{FOLDER}/{BEGUN}{secrets.token_hex(8)}"
            folder.make_folder(begun)
            with folder.folder(begun) as at:
                fcntl.flock(at, fcntl.LOCK_EX)  # until it has its name, so that no other process clears it
                try:
                    _write(folder, begun, columns, facts)
                    os.fsync(at)
                    self._require_kept(case.number)
                    generation = _next_name(folder)
                    folder.place(begun, f"{FOLDER}/{generation}")
                    folder.sync()
                except BaseException:
                    with suppress(OSError):
                        folder.clear(begun)
                    raise
            for name in _names(folder):
                if _rank(name) < _rank(generation) or _is_abandoned(folder, name):
                    with suppress(OSError):  # it is of no use, and the next one tries again
                        folder.clear(f"{FOLDER}/{name}")
            folder.sync()
        try:
            self._require_kept(case.number)
        except BaseException:
            self.drop(case)
            raise
        return generation

    def generation(self, case: Case) -> str:
        with suppress(OSError):
            folder = SafeFolder(self._root / case.folder)
            try:
                return _newest(folder)
            finally:
                folder.close()
        return ""

    def open(self, case: Case) -> KeptCatalogue | None:
        for _ in range(OPENING_TRIES):
            try:
                folder = SafeFolder(self._root / case.folder)
            except FileNotFoundError:
                return None
            except OSError as trouble:
                raise DamagedCatalogue(f"its folder cannot be read ({trouble.strerror})") from trouble
            try:
                generation = _newest(folder)
                return _opened(folder, generation) if generation else None
            except FileNotFoundError as trouble:
                with suppress(OSError):
                    if _newest(folder) != generation:
                        continue
                raise DamagedCatalogue(f"{trouble.filename or 'a file'} of it is missing") from trouble
            except OSError as trouble:
                raise DamagedCatalogue(
                    f"a file of it cannot be read ({trouble.strerror or trouble})"
                ) from trouble
            finally:
                folder.close()
        return None

    def drop(self, case: Case) -> None:
        if not (self._root / case.folder).exists():
            return
        with self._folder(case, "removed") as folder:
            for one in list(folder.walk(FOLDER)):
                if one.is_file:
                    with suppress(FileNotFoundError):
                        _overwrite(folder, one.path, one.size_bytes)
            folder.clear(FOLDER)
            folder.sync()

    @contextmanager
    def _folder(self, case: Case, what: str) -> Iterator[SafeFolder]:
        try:
            folder = SafeFolder(self._root / case.folder)
            try:
                yield folder
            finally:
                folder.close()
        except OSError as trouble:
            if trouble.errno in (errno.ENOSPC, errno.EDQUOT):
                raise NoRoom(
                    f"There is no room for the catalogue of case {case.number}.",
                    "Free some space, then make it again.",
                ) from trouble
            raise DestinationError(
                f"The catalogue of case {case.number} cannot be {what}: {trouble.strerror or trouble}.",
                "Check the folder of the case and its rights.",
            ) from trouble


def _names(folder: SafeFolder) -> list[str]:
    try:
        with folder.folder(FOLDER) as at:
            return sorted(os.listdir(at))
    except (FileNotFoundError, NotADirectoryError):
        return []


def _rank(name: str) -> tuple[int, str]:
    """By which generations are older or newer; what is none is newer than all, so that it stays."""
    found = _GENERATION.fullmatch(name)
    return (int(found.group(1)), name) if found else (1 << 62, name)


def _newest(folder: SafeFolder) -> str:
    found = [one for one in _names(folder) if _GENERATION.fullmatch(one)]
    return max(found, key=_rank, default="")


def _next_name(folder: SafeFolder) -> str:
    newest = _newest(folder)
    return f"{_rank(newest)[0] + 1 if newest else 1:06}-{secrets.token_hex(4)}"


def _is_abandoned(folder: SafeFolder, name: str) -> bool:
    """Whether it was begun by a process that is no more."""
    if not name.startswith(BEGUN):
        return False
    try:
        with folder.folder(f"{FOLDER}/{name}") as at:
            fcntl.flock(at, fcntl.LOCK_EX | fcntl.LOCK_NB)
    except OSError:
        return False
    return True


def _file_name(column: str) -> str:
    return f"{column}.bytes" if column in PLAIN_BYTES else f"{column}.npy"


class _Summed:
    """A file written to, with the checksum (CRC-32C) and the number of its bytes."""

    def __init__(self, file: BinaryIO) -> None:
        self._file = file
        self.crc = 0
        self.size = 0

    def write(self, data: bytes) -> int:
        self.crc = google_crc32c.extend(self.crc, data)
        self.size += len(data)
        return self._file.write(data)


def _write(folder: SafeFolder, place: str, columns: Columns, facts: CatalogueFacts) -> None:
    sums: dict[str, list[int]] = {}
    for name, column in columns.as_mapping().items():
        with os.fdopen(folder.create(f"{place}/{_file_name(name)}"), "wb") as file:
            summed = _Summed(file)
            if name not in PLAIN_BYTES:
                header = {"descr": column.dtype.str, "fortran_order": False, "shape": column.shape}
                np.lib.format.write_array_header_1_0(summed, header)
            raw = np.ascontiguousarray(column).reshape(-1).view(np.uint8)
            for start in range(0, len(raw), CHUNK_BYTES):
                summed.write(raw[start : start + CHUNK_BYTES].tobytes())
            file.flush()
            os.fsync(file.fileno())
            sums[_file_name(name)] = [summed.size, summed.crc]
    body = {"format": FORMAT, "facts": asdict(facts), "files": sums}
    text = json.dumps(body, sort_keys=True)
    whole = json.dumps({"body": body, "crc32c": google_crc32c.value(text.encode())}, sort_keys=True)
    with os.fdopen(folder.create(f"{place}/{FACTS}"), "wb") as file:
        file.write(whole.encode())
        file.flush()
        os.fsync(file.fileno())


def _opened(folder: SafeFolder, generation: str) -> KeptCatalogue:
    place = f"{FOLDER}/{generation}"
    body = _body(folder, place)
    found: dict[str, Any] = {}
    for name, dtype in DTYPES.items():
        told = body["files"].get(_file_name(name))
        with os.fdopen(folder.open_read(f"{place}/{_file_name(name)}"), "rb") as file:
            _require_as_written(file, _file_name(name), told)
            found[name] = _mapped(file, name, dtype)
    columns = Columns(**found)
    try:
        require_sound(columns)
    except Unsound as trouble:
        raise DamagedCatalogue(f"its column {trouble} is not sound") from trouble
    return KeptCatalogue(generation, _facts(body.get("facts")), Catalogue(columns))


def _body(folder: SafeFolder, place: str) -> dict[str, Any]:
    """What `facts.json` holds, as it was written."""
    with os.fdopen(folder.open_read(f"{place}/{FACTS}"), "rb") as file:
        data = file.read(FACTS_LIMIT_BYTES + 1)
    try:
        whole = json.loads(data[:FACTS_LIMIT_BYTES])
        body = whole["body"]
        held = google_crc32c.value(json.dumps(body, sort_keys=True).encode()) == whole["crc32c"]
    except (ValueError, KeyError, TypeError, AttributeError, RecursionError) as trouble:
        raise DamagedCatalogue(f"{FACTS} cannot be read") from trouble
    if not held or not isinstance(body, dict) or not isinstance(body.get("files"), dict):
        raise DamagedCatalogue(f"{FACTS} is not as it was written")
    if body.get("format") != FORMAT:
        raise DamagedCatalogue("it is of another version")
    return body


def _require_as_written(file: BinaryIO, name: str, told: object) -> None:
    size, crc = 0, 0
    while data := file.read(CHUNK_BYTES):
        size, crc = size + len(data), google_crc32c.extend(crc, data)
    if told != [size, crc]:
        raise DamagedCatalogue(f"{name} is not as it was written")
    file.seek(0)


def _mapped(file: BinaryIO, name: str, dtype: np.dtype[np.generic]) -> Column:
    """A column, mapped; only of the type it must have, and only as long as the file is."""
    size = os.fstat(file.fileno()).st_size
    shape: tuple[int, ...] = (size,)
    start = 0
    if name not in PLAIN_BYTES:
        try:
            if np.lib.format.read_magic(file) != (1, 0):
                raise ValueError("another version")
            shape, is_fortran, told = np.lib.format.read_array_header_1_0(file)
        except (
            ValueError,
            TypeError,
            SyntaxError,
            KeyError,
            MemoryError,
            RecursionError,
            TokenError,
        ) as trouble:
            raise DamagedCatalogue(f"the header of {name} cannot be read") from trouble
        start = file.tell()
        fits = all(one >= 0 for one in shape) and start + math.prod(shape) * dtype.itemsize == size
        if told != dtype or is_fortran or not fits:
            raise DamagedCatalogue(f"{name} has another type or length than it must have")
    if not math.prod(shape):
        return np.empty(shape, dtype)
    return np.asarray(np.memmap(file, dtype, "r", start, shape))


def _facts(told: object) -> CatalogueFacts:
    try:
        if not isinstance(told, Mapping):
            raise TypeError("no facts")
        return CatalogueFacts(
            made_at=str(told["made_at"]),
            volume={str(key): str(value) for key, value in told["volume"].items()},
            read_bytes={str(key): int(value) for key, value in told["read_bytes"].items()},
            events=int(told["events"]),
            verdicts={str(key): int(value) for key, value in told["verdicts"].items()},
            entries=int(told["entries"]),
            hidden=tuple(map(str, told["hidden"])),
            unread={str(key): int(value) for key, value in told["unread"].items()},
            uncompared_bytes=int(told["uncompared_bytes"]),
            explanation=tuple(map(str, told["explanation"])),
            remarks=tuple(map(str, told["remarks"])),
        )
    except (KeyError, TypeError, ValueError, AttributeError, OverflowError) as trouble:
        raise DamagedCatalogue(f"{FACTS} lacks something") from trouble


def _overwrite(folder: SafeFolder, path: str, size_bytes: int) -> None:
    """Zeros over a file, in its place: whoever has it mapped then finds nothing, and no name."""
    with os.fdopen(folder.open_update(path), "r+b") as file:
        for start in range(0, size_bytes, CHUNK_BYTES):
            file.write(bytes(min(CHUNK_BYTES, size_bytes - start)))
        file.flush()
        os.fsync(file.fileno())

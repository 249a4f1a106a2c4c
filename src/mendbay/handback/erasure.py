"""The erasure of a case's copies, written out as an object before anything is touched.

A plan names every file that goes, by place, identity and digest, why it may go, and the proof that the
customer has the files. It is sealed with its own digest. A plan that was loaded proves nothing until
`erasure_check.clear` has held it against the files as they are now.

Only copies that the shop made are ever in a plan. The customer's own drive is none of them.
"""

from __future__ import annotations

import json
import re
from collections.abc import Iterable
from dataclasses import asdict, dataclass
from enum import StrEnum
from hashlib import sha256

from mendbay.core.errors import UsageError
from mendbay.handback.erasure_limits import Device, Medium

FORMAT = "erasure plan 1"
TEXT_LIMIT_BYTES = 256 << 20
"""Longest JSON text that is taken: a hand-back of some hundred thousand files fits."""
SAMPLED_FROM_BYTES = 1 << 30
"""A file of this size or more is known by sampled blocks (own choice): reading an image of a whole drive just
to compare it would take hours, and inode, size and time of change are compared as well."""
SAMPLES = 128
SAMPLE_BYTES = 1 << 20


ERASED = "erased-"
"""How the name begins that a file gets before it is overwritten; sixteen hexadecimal digits follow."""
_LEFTOVER = re.compile(r"erased-[0-9a-f]{16}")


def is_leftover(path: str) -> bool:
    """Whether a file bears a name that an erasure gave: one that was ended before it was removed."""
    return _LEFTOVER.fullmatch(path.rpartition("/")[2]) is not None


class Sort(StrEnum):
    """What a copy is; each can be erased or kept by itself."""

    IMAGES = "images"
    """Images of the drives."""
    HAND_BACK = "hand-back"
    """A copy of the files handed back that the shop still holds."""
    DUMPS = "dumps"
    """Reads of ROM chips."""
    PICTURES = "pictures"
    """Pictures of drive and board."""
    PAPERS = "papers"
    """Papers made for the customer."""


DEFAULT_SORTS = (Sort.IMAGES, Sort.HAND_BACK)
"""What holds the customer's files. Dumps and pictures are of the board; lessons rest on them."""


def sort_of(path: str) -> Sort | None:
    """What a file in a case's folder is; None for what is never erased: the log of reads beside an image
    (which ranges a drive gave, no byte of it), journals and certificates."""
    left = is_leftover(path)
    if "/" not in path:
        return Sort.IMAGES if left or (path.startswith("bay-") and path.endswith(".img")) else None
    first = path.split("/", 1)[0]
    if first == "roms":
        return Sort.DUMPS if left or path.endswith(".bin") else None
    return {"photos": Sort.PICTURES, "pictures": Sort.PICTURES, "papers": Sort.PAPERS}.get(first)


def sample_starts(size_bytes: int) -> tuple[int, ...]:
    """Where the sampled blocks of a large file begin: evenly spread, the first at its beginning and the last
    at its end."""
    last = max(size_bytes - SAMPLE_BYTES, 0)
    return tuple(dict.fromkeys(last * at // (SAMPLES - 1) for at in range(SAMPLES)))


@dataclass(frozen=True, slots=True, order=True)
class PlannedFile:
    """One file to be erased.

    Args:
        root: the folder it lies in: empty for the case's own, else the hand-back folder.
        path: below that folder, with `/`.
        stored_bytes: in ranges that hold data; the rest of a sparse file are holes, which hold nothing.
        device, inode: of the file on this machine; modified_ns, changed_ns: its times.
        digest: `sha256:` of all bytes, or `sampled:`, SHA-256 of the blocks at `sample_starts`.
    """

    root: str
    path: str
    sort: Sort
    size_bytes: int
    stored_bytes: int
    device: int
    inode: int
    modified_ns: int
    changed_ns: int
    digest: str


@dataclass(frozen=True, slots=True)
class PlannedRoot:
    """A folder that files are erased in.

    Args:
        root: as in `PlannedFile`; device, inode: of the folder.
        system: what the file system calls itself (`f_fsid`), which outlives a restart where device numbers
            do not.
    """

    root: str
    device: int
    inode: int
    system: int


@dataclass(frozen=True, slots=True)
class Proof:
    """What says that the customer has the files.

    Args:
        folder: of the hand-back that was checked; empty if none was.
        files, size_bytes: in it, every digest right.
        manifest_sha256: SHA-256 of its `manifest-sha256.txt`, which names what was in it.
        word: why it does not matter that none was checked, as a person said.
    """

    folder: str = ""
    files: int = 0
    size_bytes: int = 0
    manifest_sha256: str = ""
    word: str = ""


@dataclass(frozen=True, slots=True)
class ErasurePlan:
    """An erasure.

    Args:
        name: number of the plan within its case, as text.
        keep_until: the day agreed, empty for none; reason: why copies go before it, empty if they do not.
        media: what the folders lie on; a folder that is emptied goes too, so this is looked at before.
    """

    name: str
    case: int
    made_at: str
    made_by: str
    sorts: tuple[Sort, ...]
    roots: tuple[PlannedRoot, ...]
    files: tuple[PlannedFile, ...]
    keep_until: str
    reason: str
    proof: Proof
    media: tuple[Medium, ...] = ()

    @property
    def size_bytes(self) -> int:
        """Of all files, as long as they say they are."""
        return sum(one.size_bytes for one in self.files)

    @property
    def stored_bytes(self) -> int:
        """Of all files, holes left out: what will be overwritten."""
        return sum(one.stored_bytes for one in self.files)

    @property
    def digest(self) -> str:
        """SHA-256 over every word of the plan."""
        return sha256(_canonical(self._body()).encode()).hexdigest()

    def _body(self) -> dict[str, object]:
        return {"format": FORMAT, **asdict(self)}

    def to_json(self) -> str:
        """The plan with its seal, as one line of JSON with sorted keys."""
        return _canonical({**self._body(), "seal": self.digest})

    @classmethod
    def from_json(cls, text: str) -> ErasurePlan:
        """Reads what `to_json` writes. What comes back is a plan on paper: nothing of it is verified.

        Raises:
            UsageError: no such text, a field missing, unknown or of the wrong kind, or a broken seal.
        """
        try:
            if len(text) > TEXT_LIMIT_BYTES:
                raise ValueError("it is too long")
            body = _record(json.loads(text), (*cls.__dataclass_fields__, "format", "seal"))
            seal = _text(body.pop("seal"))
            if body.pop("format") != FORMAT:
                raise ValueError("it is of another format")
            made = cls(
                name=_text(body["name"]),
                case=_count(body["case"]),
                made_at=_text(body["made_at"]),
                made_by=_text(body["made_by"]),
                sorts=tuple(Sort(_text(one)) for one in _rows(body["sorts"])),
                roots=tuple(_root(one) for one in _rows(body["roots"])),
                files=tuple(_file(one) for one in _rows(body["files"])),
                keep_until=_text(body["keep_until"]),
                reason=_text(body["reason"]),
                proof=_proof(body["proof"]),
                media=tuple(_medium(one) for one in _rows(body["media"])),
            )
            if made.digest != seal:
                raise ValueError("its seal is broken")
        except (ValueError, KeyError, RecursionError) as trouble:
            raise UsageError(
                f"The erasure plan cannot be read: {trouble or type(trouble).__name__}.",
                "Draw it up again: mendbay case erase-plan.",
            ) from None
        return made


def totals(files: Iterable[PlannedFile]) -> dict[Sort, tuple[int, int]]:
    """How many files and bytes (as long as they say they are) of each sort, in the order of `Sort`."""
    found: dict[Sort, tuple[int, int]] = {}
    listed = list(files)
    for sort in Sort:
        sizes = [one.size_bytes for one in listed if one.sort is sort]
        if sizes:
            found[sort] = (len(sizes), sum(sizes))
    return found


def _canonical(body: object) -> str:
    return json.dumps(body, sort_keys=True, separators=(",", ":"))


def _record(value: object, names: Iterable[str]) -> dict[str, object]:
    if not isinstance(value, dict) or set(value) != set(names):
        raise ValueError("a record has not exactly its fields")
    return dict(value)


def _rows(value: object) -> list[object]:
    if not isinstance(value, list):
        raise ValueError("a list is missing")
    return value


def _text(value: object) -> str:
    if not isinstance(value, str):
        raise ValueError("a text is missing")
    return value


def _count(value: object) -> int:
    if isinstance(value, bool) or not isinstance(value, int) or value < 0:
        raise ValueError("a number is missing")
    return value


def _whole(value: object) -> int:
    """A time, which may lie before 1970."""
    if isinstance(value, bool) or not isinstance(value, int):
        raise ValueError("a number is missing")
    return value


def _root(value: object) -> PlannedRoot:
    found = _record(value, PlannedRoot.__dataclass_fields__)
    return PlannedRoot(
        _text(found["root"]), _count(found["device"]), _count(found["inode"]), _count(found["system"])
    )


def _file(value: object) -> PlannedFile:
    found = _record(value, PlannedFile.__dataclass_fields__)
    return PlannedFile(
        root=_text(found["root"]),
        path=_text(found["path"]),
        sort=Sort(_text(found["sort"])),
        size_bytes=_count(found["size_bytes"]),
        stored_bytes=_count(found["stored_bytes"]),
        device=_count(found["device"]),
        inode=_count(found["inode"]),
        modified_ns=_whole(found["modified_ns"]),
        changed_ns=_whole(found["changed_ns"]),
        digest=_text(found["digest"]),
    )


def _proof(value: object) -> Proof:
    found = _record(value, Proof.__dataclass_fields__)
    return Proof(
        folder=_text(found["folder"]),
        files=_count(found["files"]),
        size_bytes=_count(found["size_bytes"]),
        manifest_sha256=_text(found["manifest_sha256"]),
        word=_text(found["word"]),
    )


def _medium(value: object) -> Medium:
    found = _record(value, Medium.__dataclass_fields__)
    return Medium(
        folders=tuple(_text(one) for one in _rows(found["folders"])),
        file_system=_text(found["file_system"]),
        options=tuple(_text(one) for one in _rows(found["options"])),
        devices=tuple(_device(one) for one in _rows(found["devices"])),
        between=tuple(_text(one) for one in _rows(found["between"])),
    )


def _device(value: object) -> Device:
    found = _record(value, Device.__dataclass_fields__)
    turns = found["rotational"]
    if turns is not None and not isinstance(turns, bool):
        raise ValueError("a yes or no is missing")
    return Device(
        _text(found["name"]),
        _text(found["model"]),
        _text(found["serial"]),
        _count(found["size_bytes"]),
        turns,
    )

"""The erasure of a case's copies, written out as an object before anything is touched.

A plan names every file that goes, by place, identity and digest, why it may go, and the proof that the
customer has the files. It is sealed with its own digest. A plan that was loaded proves nothing until
`erasure_check.clear` has held it against the files as they are now.

Only copies that the shop made are ever in a plan. The customer's own drive is none of them.
"""

from __future__ import annotations

import json
import re
from collections.abc import Iterable, Mapping
from dataclasses import asdict, dataclass
from enum import StrEnum
from hashlib import sha256

from mendbay.core.errors import UsageError
from mendbay.core.sealed import canonical, count, record, rows, text, truth, whole
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


FOLDERS: Mapping[str, Sort | None] = {
    "roms": Sort.DUMPS,
    "photos": Sort.PICTURES,
    "pictures": Sort.PICTURES,
    "papers": Sort.PAPERS,
    "erasures": None,
}
"""What lies in each folder of a case's folder; None: it is never erased."""


def sort_of(path: str) -> Sort | None:
    """What a file in a case's folder is; None for what is never erased: the log of reads beside an image
    (which ranges a drive gave, no byte of it), journals and certificates."""
    left = is_leftover(path)
    if "/" not in path:
        return Sort.IMAGES if left or (path.startswith("bay-") and path.endswith(".img")) else None
    sort = FOLDERS.get(path.split("/", 1)[0])
    return sort if sort is not Sort.DUMPS or left or path.endswith(".bin") else None


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
        elsewhere: it lies on another medium than the cases.
        handed_over: the media that the customer got since the hand-back, and by which hand-over.
        word: why none of this matters, as a person said.
    """

    folder: str = ""
    files: int = 0
    size_bytes: int = 0
    manifest_sha256: str = ""
    elsewhere: bool = False
    handed_over: str = ""
    word: str = ""

    @property
    def holds(self) -> bool:
        """Whether it says so. A hand-back on the shop's own medium alone does not: the customer may never
        have got it."""
        checked = bool(self.manifest_sha256) and self.elsewhere
        return checked or bool(self.handed_over.strip()) or bool(self.word.strip())


@dataclass(frozen=True, slots=True)
class ErasurePlan:
    """An erasure.

    Args:
        name: number of the plan within its case, as text.
        keep_until: the day put down, empty for none; reason: why copies go before it, empty if they do not.
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
        return sha256(canonical(self._body()).encode()).hexdigest()

    def _body(self) -> dict[str, object]:
        return {"format": FORMAT, **asdict(self)}

    def to_json(self) -> str:
        """The plan with its seal, as one line of JSON with sorted keys."""
        return canonical({**self._body(), "seal": self.digest})

    @classmethod
    def from_json(cls, sealed: str) -> ErasurePlan:
        """Reads what `to_json` writes. What comes back is a plan on paper: nothing of it is verified.

        Raises:
            UsageError: no such text, a field missing, unknown or of the wrong kind, or a broken seal.
        """
        try:
            if len(sealed) > TEXT_LIMIT_BYTES:
                raise ValueError("it is too long")
            body = record(json.loads(sealed), (*cls.__dataclass_fields__, "format", "seal"))
            seal = text(body.pop("seal"))
            if body.pop("format") != FORMAT:
                raise ValueError("it is of another format")
            made = cls(
                name=text(body["name"]),
                case=count(body["case"]),
                made_at=text(body["made_at"]),
                made_by=text(body["made_by"]),
                sorts=tuple(Sort(text(one)) for one in rows(body["sorts"])),
                roots=tuple(_root(one) for one in rows(body["roots"])),
                files=tuple(_file(one) for one in rows(body["files"])),
                keep_until=text(body["keep_until"]),
                reason=text(body["reason"]),
                proof=_proof(body["proof"]),
                media=tuple(_medium(one) for one in rows(body["media"])),
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


def _root(value: object) -> PlannedRoot:
    found = record(value, PlannedRoot.__dataclass_fields__)
    return PlannedRoot(
        text(found["root"]), count(found["device"]), count(found["inode"]), count(found["system"])
    )


def _file(value: object) -> PlannedFile:
    found = record(value, PlannedFile.__dataclass_fields__)
    return PlannedFile(
        root=text(found["root"]),
        path=text(found["path"]),
        sort=Sort(text(found["sort"])),
        size_bytes=count(found["size_bytes"]),
        stored_bytes=count(found["stored_bytes"]),
        device=count(found["device"]),
        inode=count(found["inode"]),
        modified_ns=whole(found["modified_ns"]),
        changed_ns=whole(found["changed_ns"]),
        digest=text(found["digest"]),
    )


def _proof(value: object) -> Proof:
    found = record(value, Proof.__dataclass_fields__)
    return Proof(
        folder=text(found["folder"]),
        files=count(found["files"]),
        size_bytes=count(found["size_bytes"]),
        manifest_sha256=text(found["manifest_sha256"]),
        elsewhere=truth(found["elsewhere"]),
        handed_over=text(found["handed_over"]),
        word=text(found["word"]),
    )


def _medium(value: object) -> Medium:
    found = record(value, Medium.__dataclass_fields__)
    return Medium(
        folders=tuple(text(one) for one in rows(found["folders"])),
        file_system=text(found["file_system"]),
        options=tuple(text(one) for one in rows(found["options"])),
        devices=tuple(_device(one) for one in rows(found["devices"])),
        between=tuple(text(one) for one in rows(found["between"])),
    )


def _device(value: object) -> Device:
    found = record(value, Device.__dataclass_fields__)
    turns = None if found["rotational"] is None else truth(found["rotational"])
    return Device(
        text(found["name"]),
        text(found["model"]),
        text(found["serial"]),
        count(found["size_bytes"]),
        turns,
    )

"""Raw names from a customer's drive made into paths of the payload that are safe on every system.

A name on the drive may hold any byte. What cannot stand in a portable name is written `=XX`, the byte in
two upper-case hexadecimal digits; an `=` that would look like such an escape is itself escaped, so
`unescape` gives the raw name back. Escaped are: bytes that are not UTF-8; control and text-direction
characters and line separators; the characters `<>:"/\\|?*` that some systems refuse; `%`, which manifests
encode and the commonest checker does not decode; blanks and dots that some systems drop at the end of a
name; names reserved for devices; `.` and `..`; a `$` that some programs take for the start of a variable. An
empty name is written `=-`.

Names that are too long, or that fall together with a neighbour where upper and lower case or the
composed and decomposed form of a letter count as one, end in `~` and digits of the SHA-256 of the raw
path. All this is recorded in `names.json`, raw bytes included.
"""

from __future__ import annotations

import hashlib
import re
import unicodedata
from collections.abc import Sequence
from dataclasses import dataclass

from mendbay.handback.bag import PAYLOAD, json_bytes

LONGEST_NAME_BYTES = 240
"""Below the 255 bytes or units of the common file systems, so that a copy can be put into another folder
or given a suffix."""

LONGEST_PATH_BYTES = 1000
"""Below the 1,024 bytes that some systems allow for a whole path (common practice, no source)."""

DEEP = "=deep"
"""The folder for files whose path would be longer than that; a raw name like it is written `=3Ddeep`."""

_SUFFIX_ROOM = 32
"""What making a name unique can add to it."""

_EMPTY = "=-"
_SIGNS_UNSEEN = (
    "\x00-\x1f\x7f-\x9f"  # control characters
    "\u00ad\u061c\u180e\u200b\u200e\u200f\u2028-\u202e\u2060-\u206f\ufeff\ufff9-\ufffb\ufffe\uffff"
)
_INVISIBLE = re.compile(f"[{_SIGNS_UNSEEN}]")
_UNSAFE = re.compile(
    f"[{_SIGNS_UNSEEN}"
    '<>:"/\\\\|?*%]'  # refused by some systems, or encoded in manifests
    r"|\$(?=[A-Za-z_{])"
)
_LOOKS_ESCAPED = re.compile(r"=(?=[0-9A-F]{2}|-\Z|(?i:deep)\Z)")
_ESCAPE = re.compile(rb"=([0-9A-F]{2})")
_RESERVED = re.compile(r"(con|prn|aux|nul|conin\$|conout\$|com[0-9¹²³]|lpt[0-9¹²³])(\.|\Z)", re.IGNORECASE)


@dataclass(frozen=True, slots=True)
class Named:
    """The place of one raw path in the bag: `path` begins with `data/`. `why` says in words why it differs
    from the raw path, and is empty when it does not."""

    raw_path: bytes
    path: str
    why: tuple[str, ...]

    @property
    def is_renamed(self) -> bool:
        """Whether the path differs from the raw one."""
        return bool(self.why)


def escape(raw: bytes) -> str:
    """One raw name (no path) in its portable form; `unescape` undoes it. Not shortened, not made unique."""
    if not raw:
        return _EMPTY
    text = raw.decode("utf-8", "surrogateescape")
    text = _LOOKS_ESCAPED.sub("=3D", text)
    text = _UNSAFE.sub(lambda found: _coded(found.group()), text)
    text = re.sub("[\udc80-\udcff]", lambda found: _coded(found.group()), text)
    if _RESERVED.match(text):
        text = _coded(text[0]) + text[1:]
    if text[-1] == "." or text[-1].isspace():
        text = text[:-1] + _coded(text[-1])
    if text[0].isspace():
        text = _coded(text[0]) + text[1:]
    return text if text != ".=2E" else "=2E=2E"


def _coded(character: str) -> str:
    return "".join(f"={byte:02X}" for byte in character.encode("utf-8", "surrogateescape"))


def unescape(name: str) -> bytes:
    """The raw name that `escape` made this of."""
    if name == _EMPTY:
        return b""
    return _ESCAPE.sub(lambda found: bytes([int(found.group(1), 16)]), name.encode())


def shown(raw: bytes) -> str:
    """A raw path or link target as a person would want to read it: characters as they are, bytes that are
    not UTF-8 as `‹E9›`, control and text-direction characters as `‹U+202E›`. Not reversible: the raw bytes
    are recorded beside it."""
    text = raw.decode("utf-8", "surrogateescape")
    text = re.sub("[\udc80-\udcff]", lambda found: f"‹{ord(found.group()) - 0xDC00:02X}›", text)
    return _INVISIBLE.sub(lambda found: f"‹U+{ord(found.group()):04X}›", text)


def same_on_some_system(name: str) -> str:
    """The key by which names fall together on a system that ignores case and composition (Unicode 3.13,
    canonical caseless matching)."""
    return unicodedata.normalize("NFD", unicodedata.normalize("NFD", name).casefold())


def plan_names(raw_paths: Sequence[bytes]) -> tuple[Named, ...]:
    """A place in the bag for each raw path, in the order given.

    The outcome depends on the set of paths, not on their order; the same raw path given twice gets two
    places. No two places are the same on any system, none leaves `data/`, and none is both a file and a
    folder.
    """
    plan = _Plan()
    made: list[Named | None] = [None] * len(raw_paths)
    folders = {parent for raw in set(raw_paths) for parent in _parents(raw)}
    for parent in sorted(folders, key=_plainest_first):
        plan.folder(parent)
    for at in sorted(range(len(raw_paths)), key=lambda index: _plainest_first(raw_paths[index])):
        made[at] = plan.file(raw_paths[at])
    return tuple(one for one in made if one is not None)


def _parents(raw: bytes) -> list[tuple[bytes, ...]]:
    parts = raw.split(b"/")
    if (
        len(raw) > LONGEST_PATH_BYTES
    ):  # goes to the deep folder whatever it is; nothing is planned for its parents
        return []
    return [tuple(parts[:count]) for count in range(1, len(parts))]


def _plainest_first(raw: bytes | tuple[bytes, ...]) -> tuple[int, bool, bytes]:
    """Shallow before deep, names that need no escape before those that do: they keep their names."""
    parts = raw.split(b"/") if isinstance(raw, bytes) else raw
    return len(parts), any(escape(part).encode() != part for part in parts), b"/".join(parts)


class _Plan:
    """Which names are taken in which folder of the payload, while a plan is made."""

    def __init__(self) -> None:
        self._folders: dict[tuple[bytes, ...], str] = {(): ""}
        self._taken: dict[str, set[str]] = {}
        self._tries: dict[tuple[str, str], int] = {}

    def folder(self, raw: tuple[bytes, ...]) -> str:
        """The payload folder of a raw folder whose own parent is planned already, ending in `/`."""
        name, _ = self._free_name(self._folders[raw[:-1]], raw[-1], b"/".join(raw) + b"/")
        self._folders[raw] = f"{self._folders[raw[:-1]]}{name}/"
        return self._folders[raw]

    def file(self, raw_path: bytes) -> Named:
        parts = tuple(raw_path.split(b"/"))
        parent = self._folders.get(parts[:-1])
        why: list[str] = []
        name_bytes = min(len(escape(parts[-1]).encode()), LONGEST_NAME_BYTES)
        if (
            parent is None
            or len((PAYLOAD + parent).encode()) + name_bytes + _SUFFIX_ROOM > LONGEST_PATH_BYTES
        ):
            parent = f"{DEEP}/{_digest(b'/'.join(parts[:-1]))[:16]}/"
            why.append("the path was too long")
        name, reasons = self._free_name(parent, parts[-1], raw_path)
        path = f"{PAYLOAD}{parent}{name}"
        why += reasons
        if not why and path.encode() != PAYLOAD.encode() + raw_path:
            why.append("a folder on the way was renamed")
        return Named(raw_path, path, tuple(why))

    def _free_name(self, parent: str, raw: bytes, raw_path: bytes) -> tuple[str, list[str]]:
        taken = self._taken.setdefault(parent, set())
        why: list[str] = []
        name = escape(raw)
        if name.encode() != raw:
            why.append("the name held what cannot stand in a portable name")
        digest = _digest(raw_path)
        if len(name.encode()) > LONGEST_NAME_BYTES:
            why.append("the name was too long")
            name = _suffixed(escape(raw), digest[:8])
        if same_on_some_system(name) in taken:
            why.append("another name in this folder is the same on some systems")
        tries = self._tries.get(
            (parent, digest), 0
        )  # kept, or many equal names would take the square of their number
        while same_on_some_system(name) in taken:
            tries += 1
            name = _suffixed(escape(raw), digest[:8] if tries == 1 else f"{digest[:16]}-{tries}")
        if tries:
            self._tries[parent, digest] = tries
        taken.add(same_on_some_system(name))
        return name, why


def _digest(raw: bytes) -> str:
    return hashlib.sha256(raw).hexdigest()


def _suffixed(name: str, suffix: str) -> str:
    """The name with `~suffix` before its extension, cut to the longest length at a whole character and a
    whole escape."""
    stem, dot, extension = name.rpartition(".")
    if not stem or len(extension.encode()) > 16:
        stem, dot, extension = name, "", ""
    room = LONGEST_NAME_BYTES - len(f"~{suffix}{dot}{extension}".encode())
    cut = stem.encode()[:room].decode(errors="ignore")
    if len(cut) < len(stem):
        cut = re.sub(r"=[0-9A-F]?$", "", cut)
    return f"{cut}~{suffix}{dot}{extension}"


def names_json(named: Sequence[Named]) -> bytes:
    """The tag file `names.json`: every path that differs from the one on the drive, with the raw bytes."""
    return json_bytes(
        {
            "escape": "=XX stands for the byte XX (hexadecimal); =- for an empty name",
            "renamed": [
                {"path": one.path, "raw_path_hex": one.raw_path.hex(), "why": list(one.why)}
                for one in sorted(named, key=lambda one: one.path)
                if one.is_renamed
            ],
        }
    )


def links_json(links: Sequence[tuple[bytes, bytes]]) -> bytes:
    """The tag file `links.json`: every symbolic link as (raw path, raw target). Links are never made: a
    target can lead anywhere on the machine where the copy is opened."""
    return json_bytes(
        {
            "note": "symbolic links of the drive, recorded and not made",
            "links": [
                {
                    "shown": shown(path),
                    "target_shown": shown(target),
                    "raw_path_hex": path.hex(),
                    "target_hex": target.hex(),
                }
                for path, target in sorted(links)
            ],
        }
    )

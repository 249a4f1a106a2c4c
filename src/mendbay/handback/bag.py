"""The texts of a bag (RFC 8493, BagIt 1.0): what a hand-back folder declares about itself.

Pure: takes and gives texts and records, touches no disk. The outlet that writes the folder and the check
of a finished one both go through these functions.
"""

from __future__ import annotations

import json
import re
from collections.abc import Iterable, Sequence
from dataclasses import dataclass

from mendbay.core.errors import BagInvalid
from mendbay.core.source import Gap, Marked
from mendbay.core.span import Span
from mendbay.handback.words import counted

PAYLOAD = "data/"
ALGORITHMS = ("sha256", "sha512")
"""What our bags are hashed with: RFC 8493 section 2.4 makes SHA-512 the default and SHA-256 the other one
every checker knows."""

DECLARATION_NAME = "bagit.txt"
DECLARATION = "BagIt-Version: 1.0\nTag-File-Character-Encoding: UTF-8\n"
"""The whole of `bagit.txt`, RFC 8493 section 2.1.1."""

HEX_LENGTHS = {"md5": 32, "sha1": 40, "sha256": 64, "sha512": 128}
"""Digest lengths in hexadecimal digits of the algorithms the check understands."""

_MUST_ENCODE = re.compile(r"[%\r\n]")
_CODED = re.compile(r"%(0[Aa]|0[Dd]|25)")
_TOTALS = re.compile(r"(\d{1,20})\.(\d{1,20})")
"""A Payload-Oxum: bytes and files."""
_DIGEST = re.compile(r"[0-9a-f]{32,128}")
OTHER_TOTALS = "the totals of the payload differ"
"""Kind of a fault whose values are such totals."""
FILES_SHOWN = 3
"""Files at fault that a refusal names."""
DIGEST_SHOWN = 12
"""Digits of a digest in a sentence; the manifest holds it whole."""
_LINE = re.compile(r"([0-9A-Fa-f]+)[ \t]+(.+)")


@dataclass(frozen=True, slots=True)
class PayloadFile:
    """A copy in the payload: its path in the bag (`data/…`), size and digests in hexadecimal.

    The digests are of the copy as written, with zeros in `gaps`. `modified_at` is in seconds since 1970
    (0 = never set). `origin` is a text of the caller's that tells whether a copy made earlier is of the
    same bytes.
    """

    path: str
    size_bytes: int
    sha256: str
    sha512: str
    gaps: tuple[Gap, ...] = ()
    marks: tuple[Marked, ...] = ()
    modified_at: int = 0
    origin: str = ""

    def digest(self, algorithm: str) -> str:
        """The digest by `sha256` or `sha512`."""
        return {"sha256": self.sha256, "sha512": self.sha512}[algorithm]


@dataclass(frozen=True, slots=True)
class Reread:
    """What reading a copy again from the destination gave; `equal` is whether size and both digests are
    those of the copy as written."""

    path: str
    sha256: str
    sha512: str
    equal: bool


@dataclass(frozen=True, slots=True)
class BagFault:
    """One thing wrong with a bag: `kind` in plain words, the path (empty for the bag as a whole), and for
    a digest or a total what was expected and found."""

    kind: str
    path: str = ""
    algorithm: str = ""
    expected: str = ""
    found: str = ""

    def __str__(self) -> str:
        return f"{self.path}: {self.words}" if self.path else self.words

    @property
    def words(self) -> str:
        """The fault without the path."""
        if not (self.expected or self.found):
            return self.kind
        by = f"{self.algorithm} " if self.algorithm else ""
        return (
            f"{self.kind} ({by}{self._in_words(self.expected)} expected, {self._in_words(self.found)} found)"
        )

    def _in_words(self, value: str) -> str:
        """What was expected or found, as it is told: totals in bytes and files, of a digest its beginning,
        which tells two apart."""
        totals = _TOTALS.fullmatch(value) if self.kind == OTHER_TOTALS else None
        if totals:
            return f"{counted(int(totals[1]), 'byte')} in {counted(int(totals[2]), 'file')}"
        return f"{value[:DIGEST_SHOWN]}…" if _DIGEST.fullmatch(value) else value


@dataclass(frozen=True, slots=True)
class BagCheck:
    """What a check of a bag found. `depth` is how deep it went: `totals`, `completeness` or `digests`."""

    depth: str
    files: int
    size_bytes: int
    faults: tuple[BagFault, ...]

    @property
    def is_valid(self) -> bool:
        """Whether nothing was found wrong, as deep as the check went."""
        return not self.faults

    @property
    def wrong(self) -> dict[str, str]:
        """By path (empty for the bag as a whole), in the order of the faults, what is wrong there: each kind
        once, though it is found by several algorithms. Totals that differ are no fault of the file that
        states them where a file of the payload is at fault."""
        found: dict[str, dict[str, str]] = {}
        totals: BagFault | None = None
        for one in self.faults:
            if one.kind == OTHER_TOTALS:
                totals = one
            else:
                found.setdefault(one.path, {}).setdefault(one.kind, one.words)
        told = {path: ", ".join(kinds.values()) for path, kinds in found.items()}
        if totals is not None and not any(path.startswith(PAYLOAD) for path in told):
            besides = told.get(totals.path)
            told[totals.path] = f"{totals.words}, {besides}" if besides else totals.words
        return told

    def require_valid(self) -> None:
        """Nothing, if the bag is in order.

        Raises:
            BagInvalid: with the first files named that are at fault, and what is wrong with each.
        """
        if self.faults:
            wrong = self.wrong
            whole = wrong.pop("", "")
            where = [
                *(["as a whole"] if whole else []),
                *([f"in {counted(len(wrong), 'file')}"] if wrong else []),
            ]
            told = [*([whole] if whole else []), *(f"{path}: {words}" for path, words in wrong.items())]
            more = f"; and {len(told) - FILES_SHOWN} more" if len(told) > FILES_SHOWN else ""
            raise BagInvalid(
                f"The hand-back folder is at fault {' and '.join(where)}: "
                f"{'; '.join(told[:FILES_SHOWN])}{more}.",
                "Do not hand this folder over as it is: make the hand-back again into a new folder. Where "
                "the medium has no room for two, remove this one first.",
            )


def encode_path(path: str) -> str:
    """The path as a manifest holds it: CR, LF and %, and nothing else, percent-encoded (RFC 8493, 2.1.3)."""
    return _MUST_ENCODE.sub(lambda found: f"%{ord(found.group()):02X}", path)


def decode_path(text: str) -> str:
    """The path that a manifest line means: only %0A, %0D and %25 are decoded, in one pass."""
    return _CODED.sub(lambda found: chr(int(found.group(1), 16)), text)


def escapes(path: str) -> bool:
    """Whether a path from a manifest could lead out of the bag or is no plain relative path: absolute,
    with `.`, `..` or empty components, a home sign, a drive letter, a backslash or a NUL."""
    if (
        not path
        or path.startswith(("/", "~"))
        or re.match(r"[A-Za-z]:", path)
        or "\\" in path
        or "\0" in path
    ):
        return True
    return any(part in ("", ".", "..") for part in path.split("/"))


def manifest(digests: Iterable[tuple[str, str]]) -> str:
    """A manifest from (path, digest) pairs, sorted by path; `manifest-ALG.txt` and `tagmanifest-ALG.txt`
    are written alike."""
    return "".join(f"{digest}  {encode_path(path)}\n" for path, digest in sorted(digests))


def parse_manifest(text: str, algorithm: str, name: str) -> tuple[dict[str, str], list[BagFault]]:
    """Digests by path, and what is wrong with the lines. Payload manifests must list `data/` paths only,
    tag manifests none; a path listed twice is a fault even with the same digest (RFC 8493 section 3)."""
    found: dict[str, str] = {}
    faults: list[BagFault] = []
    for number, line in enumerate(text.split("\n"), 1):
        line = line.removesuffix("\r")
        if not line.strip():
            continue
        match = _LINE.fullmatch(line)
        if match is None or len(match.group(1)) != HEX_LENGTHS[algorithm]:
            faults.append(BagFault(f"line {number} is not a {algorithm} digest and a path", name))
            continue
        path = decode_path(match.group(2))
        if escapes(path):
            faults.append(BagFault(f"line {number} names a path outside the bag: {path!r}", name))
        elif path.startswith(PAYLOAD) is name.startswith("tag"):
            faults.append(BagFault(f"line {number} lists a file that does not belong there: {path!r}", name))
        elif path in found:
            faults.append(BagFault(f"line {number} lists {path!r} a second time", name))
        else:
            found[path] = match.group(1).lower()
    return found, faults


def bag_info(
    case_number: str, bagging_date: str, files: Sequence[PayloadFile], labels: Sequence[tuple[str, str]] = ()
) -> str:
    """The text of `bag-info.txt`.

    Args:
        case_number: the external identifier.
        bagging_date: `YYYY-MM-DD`.
        files: the payload, for the totals.
        labels: more (label, value) pairs of our own choice; line breaks in them become blanks.

    Raises:
        ValueError: a label that holds a colon, or is empty.
    """
    total = sum(one.size_bytes for one in files)
    rows = [
        ("External-Identifier", case_number),
        ("Bagging-Date", bagging_date),
        ("Payload-Oxum", f"{total}.{len(files)}"),
        *labels,
    ]
    lines = []
    for label, value in rows:
        if not label or ":" in label or label != " ".join(label.split()):
            raise ValueError(f"'{label}' cannot be a label of bag-info.txt")
        lines.append(f"{label}: {' '.join(value.split())}\n")
    return "".join(lines)


def parse_bag_info(text: str) -> list[tuple[str, str]]:
    """The (label, value) pairs in order; folded lines are joined; lines that are neither are dropped."""
    rows: list[tuple[str, str]] = []
    for line in text.splitlines():
        if line[:1] in (" ", "\t") and rows:
            rows[-1] = (rows[-1][0], f"{rows[-1][1]} {line.strip()}")
        elif ":" in line:
            label, value = line.split(":", 1)
            rows.append((label.strip(), value.strip()))
    return rows


def merged_gaps(gaps: Iterable[Gap]) -> tuple[Gap, ...]:
    """The gaps in order, neighbours with one reason joined, empty ones dropped."""
    joined: list[Gap] = []
    for gap in sorted(gaps, key=lambda one: (one.span.start, one.span.stop)):
        last = joined[-1] if joined else None
        if last is not None and last.why is gap.why and gap.span.start <= last.span.stop:
            joined[-1] = Gap(Span(last.span.start, max(last.span.stop, gap.span.stop)), gap.why)
        elif gap.span.length:
            joined.append(gap)
    return tuple(joined)


def merged_marks(marks: Iterable[Marked]) -> tuple[Marked, ...]:
    """The marked ranges by place and mark, neighbours with one mark joined, empty ones dropped."""
    joined: list[Marked] = []
    for one in sorted(marks, key=lambda marked: (marked.mark.value, marked.span.start)):
        last = joined[-1] if joined else None
        if last is not None and last.mark is one.mark and one.span.start <= last.span.stop:
            joined[-1] = Marked(Span(last.span.start, max(last.span.stop, one.span.stop)), one.mark)
        elif one.span.length:
            joined.append(one)
    return tuple(sorted(joined, key=lambda marked: (marked.span.start, marked.mark.value)))


def gaps_json(copies: Iterable[PayloadFile]) -> bytes:
    """The tag file `gaps.json`: for each file with holes, which bytes of the copy are fill, not content."""
    files = [
        {
            "path": one.path,
            "size_bytes": one.size_bytes,
            "gaps": [
                {"start": gap.span.start, "stop": gap.span.stop, "why": gap.why.value} for gap in one.gaps
            ],
        }
        for one in sorted(copies, key=lambda copy: copy.path)
        if one.gaps
    ]
    return json_bytes({"fill": "zero bytes stand where content is missing", "files": files})


def json_bytes(value: object) -> bytes:
    """The value as a JSON tag file: UTF-8, two blanks of indent, a line break at the end."""
    return (json.dumps(value, ensure_ascii=False, indent=2) + "\n").encode()

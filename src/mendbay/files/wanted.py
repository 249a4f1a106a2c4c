"""What the customer wants first: patterns over paths, and the volume ranges they come to.

A pattern without a slash matches a name anywhere (`*.xlsx`, `Glaze photos`); one with a slash matches the
path from the root, where `*` stays inside a folder and `**` does not (`photos/**/*.jpg`). Case does not
matter, nor whether an accented letter is written in one piece or as a letter and its mark. A folder that
matches stands for everything below it. The word `metadata` alone stands for the descriptions of all files.
"""

from __future__ import annotations

import re
import unicodedata
from collections.abc import Callable, Iterable, Iterator, Sequence
from dataclasses import dataclass

from mendbay.core.errors import UsageError
from mendbay.core.span import Span, SpanSet
from mendbay.core.texts import LINE_LIMIT
from mendbay.files.tree import Entry, FileSystem, Kind

METADATA = "metadata"
MOST_PATTERNS = 1_000
MOST_DEEP = 4
"""Times that `**` may stand in a pattern: each multiplies how long a path is looked at (own choice)."""
KEPT_OF_A_PART = 4
"""How many letters of a part of a path stay at least where a pattern must be shortened."""


@dataclass(frozen=True, slots=True)
class Selection:
    """What a list of patterns selects: entries in the order of the tree, and whether `metadata` was in it."""

    entries: tuple[Entry, ...]
    with_metadata: bool


def matcher(patterns: Sequence[str]) -> Callable[[bytes], bool]:
    """A test of raw paths against the patterns; `metadata` matches no path.

    Raises:
        UsageError: an empty pattern, or more of them than anyone means.
    """
    if len(patterns) > MOST_PATTERNS:
        raise UsageError(f"{len(patterns)} patterns are too many.", f"Give at most {MOST_PATTERNS}.")
    parts = [_expression(pattern) for pattern in patterns if pattern != METADATA]
    if not parts:
        return lambda path: False
    compiled = re.compile("|".join(f"(?:{part})" for part in parts), re.IGNORECASE | re.DOTALL)

    def test(path: bytes) -> bool:
        return compiled.fullmatch(_text(path)) is not None

    return test


def composed(text: str) -> str:
    """The text with letters and their marks in one piece where Unicode has one (normalisation form C, Unicode
    Standard Annex 15): some systems keep names in pieces, and what is typed comes in one."""
    return unicodedata.normalize("NFC", text)


def _text(name: bytes) -> str:
    text = name.decode("utf-8", "surrogateescape")
    return text if text.isascii() else composed(text)


def pattern_of(path: bytes, *, is_folder: bool = False) -> str:
    """The pattern that selects a path from the root, of a folder all that is below it, as it can be kept with
    a case: a letter that a pattern cannot hold (a comma, a star, a control, a byte that is no letter, a blank
    at the end) stands as `?`, and the longest parts of a long path are cut and end in `*`. So it can select
    neighbours of like names besides.

    Raises:
        UsageError: it is the root, or deeper than a pattern that can be kept.
    """
    parts = [_plain_part(part) for part in path.split(b"/") if part]
    if not parts:
        raise UsageError("That is no path of a file or folder.", "Pick what stands in it instead.")
    tail = "/**" if is_folder else ""
    while (found := "/" + "/".join(parts) + tail) and len(found) > LINE_LIMIT:
        at = max(range(len(parts)), key=lambda one: len(parts[one]))
        keep = max(KEPT_OF_A_PART, min(len(parts[at]) - 2, len(parts[at]) - (len(found) - LINE_LIMIT) - 1))
        if len(parts[at]) <= keep + 1:
            raise UsageError(
                "That path is too deep for one pattern.",
                "Pick a folder above it, or write a pattern of its name alone.",
            )
        parts[at] = parts[at][:keep] + "*"
    return found


def _plain_part(part: bytes) -> str:
    """One name as a part of a pattern, letter by letter."""
    text = part.decode("utf-8", "surrogateescape")
    plain = "".join("?" if one in "*?," or not (one.isprintable() or one == " ") else one for one in text)
    stripped = plain.strip()
    return plain if plain == stripped else re.sub(r"^ +| +$", lambda found: "?" * len(found[0]), plain)


def name_matcher(part: str) -> Callable[[bytes], bool]:
    """A test of raw names against one part of a pattern, between its slashes and without `**`."""
    compiled = re.compile(_part(composed(part)), re.IGNORECASE | re.DOTALL)

    def test(name: bytes) -> bool:
        return compiled.fullmatch(_text(name)) is not None

    return test


def seems_several(pattern: str) -> bool:
    """Whether one pattern looks like several with blanks between them (`*.xlsx *.txt`)."""
    parts = pattern.split()
    return len(parts) > 1 and all("*" in part or "?" in part for part in parts)


def _expression(pattern: str) -> str:
    """The pattern as a regular expression over the whole path, with everything below a match.

    Raises:
        UsageError: it is empty, or has too many `**`.
    """
    parts, is_from_root = parts_of(pattern)
    text = "/".join(parts)
    if text.count("**") > MOST_DEEP:
        raise UsageError(f"The pattern has more than {MOST_DEEP} times **.", "Write it with fewer.")
    pieces: list[str] = [] if is_from_root else [r"(?:.*/)?"]
    deep = {"**/": r"(?:.*/)?", "**": r".*", "/": "/"}
    pieces += [deep.get(one) or _part(one) for one in re.split(r"(\*\*/|\*\*|/)", text)]
    return "".join(pieces) + r"(?:/.*)?"


def _part(text: str) -> str:
    """One part of a pattern, without `**`. What stands between two stars takes the first place it fits: no
    later one could bring more, and there is nothing to go back to, which a hostile name could make
    endless."""
    first, *rest = ("".join(map(_letter, one)) for one in re.split(r"\*+", text))
    if not rest:
        return first
    *middle, last = rest
    return first + "".join(f"(?>[^/]*?{one})" for one in middle) + r"[^/]*" + last


def _letter(one: str) -> str:
    return r"[^/]" if one == "?" else re.escape(one)


def parts_of(pattern: str) -> tuple[tuple[str, ...], bool]:
    """The parts of a pattern between its slashes, and whether it begins at the root.

    Raises:
        UsageError: the pattern is empty.
    """
    place = composed(pattern).strip().rstrip("/")
    text = place.lstrip("/")
    if not text:
        raise UsageError("A pattern is empty.", "Give a name such as '*.xlsx', or leave it out.")
    return tuple(text.split("/")), "/" in place


def plain_parts(pattern: str) -> tuple[tuple[str, ...], ...]:
    """The pattern as several from the root on, which together select the same: in each a part is `**` alone
    or has none, so that it can be looked for folder by folder. At most 2 to the power of `MOST_DEEP`.

    Raises:
        UsageError: it is empty, or has too many `**`.
    """
    _expression(pattern)
    parts, is_from_root = parts_of(pattern)
    begun: list[tuple[tuple[str, ...], str]] = [(() if is_from_root else ("**",), "")]
    for sign in re.split(r"(\*\*/|\*\*|/)", "/".join(parts)):
        begun = [one for each in begun for one in _with_sign(*each, sign)]
    whole = ((*done, re.sub(r"\*+", "*", last)) for done, last in begun)
    return tuple(dict.fromkeys(one for one in whole if all(one)))


def _with_sign(done: tuple[str, ...], open_: str, sign: str) -> list[tuple[tuple[str, ...], str]]:
    """What has been read of a pattern, with the next sign of it: the parts that are done and the one that
    goes on. `**` beside letters stays in one name, or leads through folders to another."""
    match sign:
        case "/":
            return [((*done, re.sub(r"\*+", "*", open_)), "")]
        case "**" | "**/":
            after = "*" if sign == "**" else ""
            if not open_:
                return [((*done, "**"), after)]
            through = ((*done, re.sub(r"\*+", "*", f"{open_}*"), "**"), after)
            return [(done, open_ + after), through]
        case _:
            return [(done, open_ + sign)]


def select(entries: Iterable[Entry], patterns: Sequence[str]) -> Selection:
    """The entries that the patterns name; with no pattern that names files, none."""
    test = matcher(patterns)
    return Selection(tuple(one for one in entries if test(one.path)), METADATA in patterns)


def ranges_of(system: FileSystem, entries: Iterable[Entry]) -> SpanSet:
    """The volume ranges that hold the bytes of these entries (folders: their list of names)."""
    return SpanSet(span for entry in entries for span in _spans(system, entry))


def _spans(system: FileSystem, entry: Entry) -> Iterator[Span]:
    if entry.kind is Kind.OTHER:
        return
    for extent in system.layout(entry).extents:
        if (where := extent.volume_span) is not None:
            yield where

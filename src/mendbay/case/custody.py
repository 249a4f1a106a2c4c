"""The custody log: who had what, when; append-only, each entry chained to the one before.

An entry carries the SHA-256 of its own canonical text, and that text names the hash of the entry
before it, so a later change anywhere shows. `docs/formats/custody.md` defines the text and how anyone
can check it with a hash program alone. Two things no chain can show by itself: entries cut off the
end, and a log written anew from some entry on. For both there is the head (number and hash of the
last entry), printed on the receipt the customer keeps: `verify` takes it as an anchor.
"""

from __future__ import annotations

import hashlib
import json
import re
from collections import Counter
from collections.abc import Iterable, Iterator
from dataclasses import dataclass
from enum import StrEnum
from itertools import groupby

from mendbay.core.errors import UsageError
from mendbay.core.texts import require_moment, require_text

FORMAT = "custody 1"
BEFORE_THE_FIRST = "0" * 64
"""What the first entry names as the hash before it."""

LINE_LIMIT_BYTES = 200_000
"""Longest line that is read: three texts at their limit, every character escaped or of four bytes, fit."""

_MOST_LINES_TOLD = 100
"""Lines that are no entries and are told one by one: a file that is half something else must not make a
report endless."""
_HASH = re.compile(r"[0-9a-f]{64}")
_KEYS = ("at", "case", "format", "hash", "item", "previous", "sequence", "what", "who")
_COUNTS = ("case", "sequence")
_MOST = 2**53 - 1
"""Largest number that every JSON reader keeps exactly (RFC 8259, 6)."""


@dataclass(frozen=True, slots=True)
class CustodyEntry:
    """One entry. `who` did `what` to `item`; `sequence` counts from 1 within the case.

    Built by `append` or read back; nothing is checked here, so that a tampered log can be shown.
    """

    case: int
    sequence: int
    at: str
    who: str
    what: str
    item: str
    previous: str
    hash: str


@dataclass(frozen=True, slots=True)
class Head:
    """The last entry of a log at some time: what a receipt prints and a later check is held against."""

    sequence: int
    hash: str

    @property
    def text(self) -> str:
        """As printed on a receipt: the number, a colon, the hash in groups of eight digits."""
        return f"{self.sequence}: " + " ".join(self.hash[at : at + 8] for at in range(0, 64, 8))

    @classmethod
    def parse(cls, text: str) -> Head:
        """Reads what `text` prints, blanks wherever they are.

        Raises:
            UsageError: not a number, a colon and 64 hexadecimal digits.
        """
        number, _, digits = "".join(text[:200].split()).lower().partition(":")
        if not re.fullmatch(r"[0-9]{1,15}", number) or int(number) < 1 or not _HASH.fullmatch(digits):
            raise UsageError(
                f"{text[:100]!r} is not the head of a custody log.",
                "Copy it from the receipt: a number, a colon and 64 digits.",
            )
        return cls(int(number), digits)


class Break(StrEnum):
    """How a log can be broken."""

    CHANGED = "changed"
    """The entry is not as it was written, or was put in the place of another."""
    REMOVED = "removed"
    INSERTED = "inserted"
    """The entry was never written at this place by this log."""
    REORDERED = "reordered"
    CUT = "cut"
    """Entries the receipt speaks of are missing at the end."""
    DISPUTED = "disputed"
    """The log itself holds, and the notes say otherwise than this entry: either may have been changed."""


@dataclass(frozen=True, slots=True)
class Fault:
    """One break: at which entry's number, how, and the sentence for a person."""

    sequence: int
    how: Break
    sentence: str


@dataclass(frozen=True, slots=True)
class CustodyCheck:
    """The outcome of a check: `holds` when there is no fault.

    `head` is the last entry's, None for an empty log. `anchored` says whether an anchor from outside was
    given and found, without which a cut or wholly rewritten log cannot be told from a sound one.
    """

    entries: int
    head: Head | None
    faults: tuple[Fault, ...]
    anchored: bool

    @property
    def holds(self) -> bool:
        return not self.faults

    @property
    def is_disputed(self) -> bool:
        """The log itself holds, and notes say otherwise than it."""
        return bool(self.faults) and all(one.how is Break.DISPUTED for one in self.faults)


def append(last: CustodyEntry | None, case: int, at: str, who: str, what: str, item: str) -> CustodyEntry:
    """The entry that follows `last` (None for the first of a case).

    Raises:
        UsageError: nobody, nothing done, or an unusable text or time.
        ValueError: `last` belongs to another case, or does not fit its own hash: a log that is broken
            already must not go on as if it were sound.
    """
    if not who.strip() or not what.strip():
        raise UsageError("A custody entry needs who and what.", "Say who had it and what was done.")
    require_moment(at)
    for text in (who, what, item):
        require_text(text)
    if not 1 <= case <= _MOST:
        raise ValueError(f"no case has the number {case}")
    if last is not None and (last.case != case or not is_sound(last)):
        raise ValueError(f"entry {last.sequence} cannot be followed by an entry of case {case}")
    sequence, previous = (1, BEFORE_THE_FIRST) if last is None else (last.sequence + 1, last.hash)
    bare = CustodyEntry(case, sequence, at, who, what, item, previous, "")
    return CustodyEntry(case, sequence, at, who, what, item, previous, digest(bare))


def digest(entry: CustodyEntry) -> str:
    """The SHA-256, in lower-case hexadecimal, of the entry's canonical text without its `hash` member."""
    return hashlib.sha256(_canonical(entry, with_hash=False)).hexdigest()


def is_sound(entry: CustodyEntry) -> bool:
    """Whether the entry fits its own hash; False also for texts that could never have been hashed."""
    try:
        return digest(entry) == entry.hash
    except UnicodeEncodeError:
        return False


def verify(
    entries: Iterable[CustodyEntry], anchor: Head | None = None, *, typed: bool = True
) -> CustodyCheck:
    """Checks a log in the order given.

    Args:
        entries: all entries of one case, as stored or exported.
        anchor: the head that a receipt names, of this moment or an earlier one.
        typed: whether a person copied that head, and may have mistyped it.

    Returns:
        Every break found. A change that left its mark on several entries is told once where possible.
    """
    given = tuple(entries)
    ordered = sorted(given, key=lambda entry: entry.sequence)
    faults = [*_out_of_order(given)]
    chain: list[CustodyEntry] = []
    for entry, doubles in _one_per_number(ordered):
        chain.append(entry)
        faults += [
            _fault(one.sequence, Break.INSERTED, "a second entry with this number was put in")
            for one in doubles
        ]
    faults += _chain_faults(chain)
    missing = _anchor_fault(chain, anchor, typed)
    faults += missing
    head = Head(chain[-1].sequence, chain[-1].hash) if chain else None
    return CustodyCheck(
        len(given), head, tuple(sorted(faults, key=_by_number)), anchor is not None and not missing
    )


def export_lines(entries: Iterable[CustodyEntry]) -> bytes:
    """The log as JSON lines (UTF-8, each ended by a line feed), every line canonical and checkable alone."""
    return b"".join(_canonical(entry, with_hash=True) + b"\n" for entry in entries)


def parse_lines(data: bytes) -> tuple[CustodyEntry, ...]:
    """Reads an exported log. Says nothing about whether it holds: that is `verify`.

    Raises:
        UsageError: a line that is no custody entry, or not in canonical form (it would not hash to what
            a third party computes from it).
    """
    return tuple(_parse_line(line, number) for number, line in enumerate(data.splitlines(), 1))


def check_export(data: bytes, anchor: Head | None = None) -> CustodyCheck:
    """Checks an exported log line by line: one line that is no entry does not hide what the others say.

    Args:
        data: the file.
        anchor: the head that a receipt names, of this moment or an earlier one.

    Raises:
        UsageError: not one line is an entry of a custody log; or it is empty, and no receipt says otherwise.
    """
    entries: list[CustodyEntry] = []
    faults: list[Fault] = []
    first: UsageError | None = None
    for number, line in enumerate(data.splitlines(), 1):
        try:
            entries.append(_parse_line(line, number))
        except UsageError as trouble:
            first = first or trouble
            at = entries[-1].sequence + 1 if entries else 1
            faults.append(
                Fault(at, Break.CHANGED, f"Line {number}: {Break.CHANGED}; it is not an entry of a log.")
            )
    if first is not None and not entries:
        raise first
    if not entries and anchor is None:
        raise UsageError(
            "The file is empty.", "Give the file as `mendbay case custody CASE --export FILE` wrote it."
        )
    found = verify(entries, anchor)
    told = tuple(sorted((*faults[:_MOST_LINES_TOLD], *found.faults), key=_by_number))
    return CustodyCheck(len(entries), found.head, told, found.anchored)


def _canonical(entry: CustodyEntry, *, with_hash: bool) -> bytes:
    """RFC 8785 for what an entry holds: member names sorted, no blanks, shortest escapes, UTF-8."""
    members: dict[str, str | int] = {
        "at": entry.at,
        "case": entry.case,
        "format": FORMAT,
        "item": entry.item,
        "previous": entry.previous,
        "sequence": entry.sequence,
        "what": entry.what,
        "who": entry.who,
    }
    if with_hash:
        members["hash"] = entry.hash
    return json.dumps(members, ensure_ascii=False, sort_keys=True, separators=(",", ":")).encode()


def _parse_line(line: bytes, number: int) -> CustodyEntry:
    trouble = UsageError(
        f"Line {number} is not an entry of a custody log.",
        "Give the file as `mendbay case custody CASE --export FILE` wrote it.",
    )
    if len(line) > LINE_LIMIT_BYTES:
        raise trouble
    try:
        members = json.loads(line)
    except (ValueError, RecursionError):
        raise trouble from None
    if not isinstance(members, dict) or tuple(sorted(members)) != _KEYS or members["format"] != FORMAT:
        raise trouble
    counts, texts = (
        (members["case"], members["sequence"]),
        [members[key] for key in _KEYS if key not in _COUNTS],
    )
    if any(type(one) is not int or abs(one) > _MOST for one in counts):
        raise trouble
    if any(type(one) is not str for one in texts):
        raise trouble
    del members["format"]
    entry = CustodyEntry(**members)
    try:
        canonical = _canonical(entry, with_hash=True)
    except UnicodeEncodeError:  # an escaped half of a surrogate pair
        raise trouble from None
    if canonical != line:
        raise trouble
    return entry


def _out_of_order(given: tuple[CustodyEntry, ...]) -> Iterator[Fault]:
    highest = 0
    for entry in given:
        if entry.sequence < highest:
            yield _fault(entry.sequence, Break.REORDERED, f"it stands after entry {highest}")
        highest = max(highest, entry.sequence)


def _one_per_number(
    ordered: list[CustodyEntry],
) -> Iterator[tuple[CustodyEntry, list[CustodyEntry]]]:
    """For each number the entry taken as written by the log, and the others that claim the number.

    The next entry names the hash of the genuine one; the last number goes to the first that fits itself.
    """
    groups = [list(group) for _, group in groupby(ordered, key=lambda entry: entry.sequence)]
    for at, group in enumerate(groups):
        named = {entry.previous for following in groups[at + 1 : at + 2] for entry in following}
        ranked = sorted(group, key=lambda entry: (entry.hash not in named, not is_sound(entry)))
        yield ranked[0], ranked[1:]


def _chain_faults(chain: list[CustodyEntry]) -> Iterator[Fault]:
    before: CustodyEntry | None = None
    before_sound = True
    # the case that most entries name: one forged number must not put the others under suspicion
    of_case = Counter(entry.case for entry in chain).most_common(1)[0][0] if chain else 0
    for entry in chain:
        sound = is_sound(entry)
        expected = 1 if before is None else before.sequence + 1
        named = BEFORE_THE_FIRST if before is None else before.hash
        if not sound:
            yield _fault(entry.sequence, Break.CHANGED, "its content does not fit its hash")
        if entry.case != of_case:
            yield _fault(entry.sequence, Break.INSERTED, f"it belongs to case {entry.case}")
        if entry.sequence > expected:
            for number in _few(expected, entry.sequence):
                yield _fault(number, Break.REMOVED, "it is missing")
        elif entry.sequence < expected:
            yield _fault(entry.sequence, Break.INSERTED, "no entry has this number")
        elif entry.previous != named and sound and before_sound:
            yield _unlinked(entry, before)
        before, before_sound = entry, sound


def _unlinked(entry: CustodyEntry, before: CustodyEntry | None) -> Fault:
    if before is None:
        return _fault(entry.sequence, Break.CHANGED, "it is the first, yet names an entry before it")
    return _fault(
        before.sequence,
        Break.CHANGED,
        f"it fits its own hash, but entry {entry.sequence} was written after one with another hash",
    )


def _few(start: int, stop: int) -> Iterator[int]:
    """The missing numbers, at most a hundred of them: a forged number must not make a report endless."""
    yield from range(start, min(stop, start + 100))


def _anchor_fault(chain: list[CustodyEntry], anchor: Head | None, typed: bool) -> list[Fault]:
    if anchor is None:
        return []
    last = chain[-1].sequence if chain else 0
    number, first = anchor.sequence, "it was mistyped, or " if typed else ""
    if number > last:
        said = f"the receipt names it, but the log ends at entry {last}: {first}the end was cut off"
        return [_fault(number, Break.CUT, said)]
    found = next((entry for entry in chain if entry.sequence == anchor.sequence), None)
    if found is not None and found.hash == anchor.hash:
        return []
    said = (
        f"the receipt names another hash: {first}the log was written anew from this entry or an earlier one"
    )
    return [_fault(number, Break.CHANGED, said)]


def _fault(sequence: int, how: Break, why: str) -> Fault:
    return Fault(sequence, how, f"Entry {sequence}: {how}; {why}.")


def _by_number(fault: Fault) -> int:
    return fault.sequence

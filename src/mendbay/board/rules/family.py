"""What was learned of one board family, and its text form.

The form is described in `docs/formats/family-file.md`. Per-drive bytes of the dumps are not kept.
"""

from __future__ import annotations

import base64
import binascii
import json
import re
import zlib
from collections.abc import Callable, Mapping
from dataclasses import asdict, dataclass
from enum import StrEnum
from typing import Any, NoReturn, TypeVar

import numpy as np

from mendbay.board.rules.algorithm import WIDTHS, Algorithm, Kind, Order
from mendbay.board.rules.mirrors import MOST_COPIES, Copy
from mendbay.board.rules.rule import Hole, Length, Rule
from mendbay.core.errors import BadFormFile

FORM, VERSION, FIRST_VERSION = "mendbay board family", 2, 1
LARGEST_DUMP = 16 << 20
"""Bytes of the largest dump that is learned from."""
LONGEST_TEXT = 64 << 20
"""Characters of the text form, all of one byte each."""
MOST_BYTES = 64 << 20
"""Bytes of all dumps that a family is learned from, and of the shared bytes of all its revisions: both are
held in memory at once, the dumps with running totals of up to sixteen times their size."""
MOST_REGIONS = 64
"""Length of all regions together, in lengths of a dump: a judgement goes through each of them."""
MOST_RULES, MOST_SPANS, MOST_REVISIONS, MOST_DUMPS = 4096, 1 << 17, 256, 1 << 20
_MODULI = (0, 255, 256, 65521, 65535, 65536)
_SHA256 = re.compile("[0-9a-f]{64}")

Span = tuple[int, int]


@dataclass(frozen=True)
class Revision:
    """One code revision of the family.

    Args:
        dumps: known-good dumps seen of it.
        shared: the bytes that were the same in all of them, as long as a dump; per-drive bytes stand as
            nought.
        per_drive: ranges (start, end) that differed between the dumps, rising and apart, at most
            `MOST_SPANS`: where there are more, those nearest to each other are joined. With a single dump
            nothing is known of them and the list is empty.
        copies: ranges that stand twice in every dump.
    """

    dumps: int
    shared: bytes
    per_drive: tuple[Span, ...]
    copies: tuple[Copy, ...]

    @property
    def compared(self) -> bool:
        """Whether two dumps or more were seen, so that per-drive bytes are known."""
        return self.dumps > 1


@dataclass(frozen=True)
class Family:
    """The rules of a board family.

    Args:
        size: bytes of a dump.
        revisions: at least one; a rule names them by their place here.
        rules: by rising start.
        learned_from: the SHA-256 of each known-good dump, in hexadecimal digits; empty if not known, as of a
            file of version 1.
    """

    size: int
    revisions: tuple[Revision, ...]
    rules: tuple[Rule, ...]
    learned_from: tuple[str, ...] = ()

    @property
    def dumps(self) -> int:
        """Known-good dumps it rests on."""
        return sum(one.dumps for one in self.revisions)

    def rules_of(self, revision: int | None) -> tuple[Rule, ...]:
        """Rules that a sound dump of the revision keeps; of an unknown one (None) those that hold in every
        revision seen, or all if only one was."""
        if revision is not None:
            return tuple(one for one in self.rules if revision in one.revisions)
        every = set(range(len(self.revisions)))
        return tuple(one for one in self.rules if every <= set(one.revisions))

    def covered(self, revision: int | None = None) -> int:
        """Bytes of a dump that at least one rule watches."""
        flags = np.zeros(self.size, np.bool_)
        for rule in self.rules_of(revision):
            for start, end in rule.covers:
                flags[start:end] = True
        return int(flags.sum())

    def to_json(self) -> str:
        """The text form: JSON, keys in a fixed order, ends with a line feed."""
        body = {
            "form": FORM,
            "version": VERSION,
            "size": self.size,
            "learned_from": list(self.learned_from),
            "revisions": [_revision_body(one) for one in self.revisions],
            "rules": [_rule_body(one) for one in self.rules],
        }
        return json.dumps(body, indent=1) + "\n"

    @staticmethod
    def from_json(text: str) -> Family:
        """Reads the text form.

        Raises:
            BadFormFile: it is none, or breaks a rule of the form; the message names the entry.
        """
        return _family(text)


@dataclass(frozen=True)
class SelfChecks:
    """A few quick rules of a family, to ask whether bytes look like a sound dump."""

    rules: tuple[Rule, ...]

    def hold(self, data: bytes) -> tuple[int, int]:
        """How many of the rules hold in the bytes, and how many could be asked (those that fit its
        length)."""
        asked = [one for one in self.rules if one.size_needed <= len(data)]
        array = np.frombuffer(data, np.uint8)
        return sum(one.holds(array) for one in asked), len(asked)


def self_checks(family: Family, most: int = 5) -> SelfChecks:
    """The rules that cost least to ask, those of 16 bits and more first; from every revision."""
    ranked = sorted(family.rules, key=lambda one: (one.algorithm.width < 16, one.end - one.start, one.start))
    return SelfChecks(tuple(ranked[:most]))


def _revision_body(one: Revision) -> dict[str, Any]:
    return {
        "dumps": one.dumps,
        "per_drive": [list(span) for span in one.per_drive],
        "copies": [[copy.first, copy.second, copy.length] for copy in one.copies],
        "shared": base64.b64encode(zlib.compress(one.shared, 6)).decode("ascii"),
    }


def _rule_body(one: Rule) -> dict[str, Any]:
    return {
        "algorithm": _plain(asdict(one.algorithm)),
        "start": one.start,
        "end": one.end,
        "place": one.place,
        "order": one.order.value,
        "hole": one.hole.value,
        "evidence": one.evidence,
        "dumps": one.dumps,
        "distinct": one.distinct,
        "revisions": list(one.revisions),
        "length": None
        if one.length is None
        else {
            key: str(value) if isinstance(value, StrEnum) else value
            for key, value in asdict(one.length).items()
        },
    }


def _plain(body: dict[str, Any]) -> dict[str, Any]:
    return {key: str(value) if isinstance(value, StrEnum) else value for key, value in body.items()}


_Word = TypeVar("_Word", bound=StrEnum)


class _Entry:
    """One object of the text, whose keys are taken one by one; what is left over is refused."""

    def __init__(self, body: object, where: str) -> None:
        self.where = where
        if not isinstance(body, dict):
            self.refuse("is not an object")
        self._body: dict[str, object] = dict(body)

    def refuse(self, what: str) -> NoReturn:
        raise BadFormFile(f"{self.where} {what}", "learn the family anew from its known-good dumps")

    def take(self, key: str) -> object:
        if key not in self._body:
            self.refuse(f"has no {key!r}")
        return self._body.pop(key)

    def number(self, key: str, least: int, most: int) -> int:
        value = self.take(key)
        if type(value) is not int or not least <= value <= most:
            self.refuse(f"has {key} outside {least} to {most}")
        return value

    def flag(self, key: str) -> bool:
        value = self.take(key)
        if not isinstance(value, bool):
            self.refuse(f"has {key} that is neither true nor false")
        return value

    def word(self, key: str, kind: type[_Word]) -> _Word:
        value = self.take(key)
        found = next((one for one in kind if one.value == value), None)
        if found is None:
            self.refuse(f"has the unknown {key} {str(value)[:40]!r}")
        return found

    def rows(self, key: str, most: int) -> list[object]:
        value = self.take(key)
        if not isinstance(value, list) or len(value) > most:
            self.refuse(f"has {key} that is no list of at most {most}")
        return value

    def has(self, key: str) -> bool:
        return key in self._body

    def done(self) -> None:
        if self._body:
            self.refuse(f"has the unknown key {sorted(self._body)[0][:40]!r}")


def _family(text: str) -> Family:
    if len(text) > LONGEST_TEXT:
        raise BadFormFile("the family file is longer than any can be", "check that it is the right file")
    try:
        body = json.loads(text, parse_constant=_no_constant)
    except (ValueError, RecursionError) as error:
        raise BadFormFile(
            f"the family file is not JSON: {error}", "check that it is the right file"
        ) from None
    top = _Entry(body, "the family file")
    if top.take("form") != FORM:
        top.refuse("is not one of Mendbay's board families")
    version = top.take("version")
    if type(version) is not int or not FIRST_VERSION <= version <= VERSION:
        top.refuse(f"is not of a version from {FIRST_VERSION} to {VERSION}")
    first = version == FIRST_VERSION
    size = top.number("size", 64, LARGEST_DUMP)
    learned_from = () if first else _digests(top)
    rows = top.rows("revisions", MOST_REVISIONS)
    if len(rows) * size > MOST_BYTES:
        top.refuse(f"has revisions of more than {MOST_BYTES} bytes together")
    revisions = tuple(_revision(_Entry(one, f"revision {i}"), size, first) for i, one in enumerate(rows))
    if not revisions:
        top.refuse("has no revision")
    if learned_from and len(learned_from) != sum(one.dumps for one in revisions):
        top.refuse("was not learned from as many dumps as its revisions say")
    rules = tuple(
        _rule(_Entry(one, f"rule {i}"), size, len(revisions), first)
        for i, one in enumerate(top.rows("rules", MOST_RULES))
    )
    if sum(one.end - one.start for one in rules) > MOST_REGIONS * size:
        top.refuse(f"has regions that are together longer than {MOST_REGIONS} dumps")
    top.done()
    return Family(size, revisions, rules, learned_from)


def _digests(top: _Entry) -> tuple[str, ...]:
    found = []
    for one in top.rows("learned_from", MOST_DUMPS):
        if not isinstance(one, str) or not _SHA256.fullmatch(one):
            top.refuse("was learned from something that is no SHA-256")
        found.append(one)
    if len(set(found)) < len(found):
        top.refuse("was learned from the same dump twice")
    return tuple(found)


def _no_constant(name: str) -> NoReturn:
    raise ValueError(f"{name} is no number")


def _revision(entry: _Entry, size: int, first: bool) -> Revision:
    """`first`: whether the file is of the first version, which also names erased ranges."""
    if first:
        entry.take("erased")
    found = Revision(
        entry.number("dumps", 1, MOST_DUMPS),
        _shared(entry, size),
        _spans(entry, "per_drive", size),
        _copies(entry, size),
    )
    entry.done()
    return found


def _shared(entry: _Entry, size: int) -> bytes:
    packed = entry.take("shared")
    if not isinstance(packed, str):
        entry.refuse("has shared bytes that are no text")
    try:
        engine = zlib.decompressobj()
        data = engine.decompress(base64.b64decode(packed, validate=True), size + 1)
    except (ValueError, binascii.Error, zlib.error):
        entry.refuse("has shared bytes that cannot be unpacked")
    if len(data) != size or not engine.eof or engine.unused_data:
        entry.refuse(f"has shared bytes that are not {size}")
    return data


def _spans(entry: _Entry, key: str, size: int) -> tuple[Span, ...]:
    found: list[Span] = []
    for row in entry.rows(key, MOST_SPANS):
        start, end = _numbers(entry, key, row, 2)
        if not (found[-1][1] if found else -1) < start < end <= size:
            entry.refuse(f"has {key} that do not rise or leave the dump")
        found.append((start, end))
    return tuple(found)


def _copies(entry: _Entry, size: int) -> tuple[Copy, ...]:
    found = []
    for row in entry.rows("copies", MOST_COPIES):
        first, second, length = _numbers(entry, "copies", row, 3)
        if not (first >= 0 and length > 0 and first + length <= second and second + length <= size):
            entry.refuse("has copies that overlap or leave the dump")
        found.append(Copy(first, second, length))
    return tuple(found)


def _numbers(entry: _Entry, key: str, row: object, count: int) -> list[int]:
    if not isinstance(row, list) or len(row) != count or any(type(one) is not int for one in row):
        entry.refuse(f"has {key} that are not rows of {count} whole numbers")
    return row


def _rule(entry: _Entry, size: int, revisions: int, first: bool) -> Rule:
    """`first`: whether the file is of the first version, whose rules may have no length, and foresaw what a
    region without a stored value must give, which none is learned to."""
    algorithm = _algorithm(_Entry(entry.take("algorithm"), f"{entry.where}, algorithm"))
    start = entry.number("start", 0, size - 1)
    end = entry.number("end", start + 1, size)
    width = algorithm.width // 8
    place = entry.number("place", 0, size - width)
    order, hole = _order(entry, algorithm.width), entry.word("hole", Hole)
    if first:
        entry.number("expected", 0, 0)
    inside = start <= place and place + width <= end
    apart = place + width <= start or end <= place
    if not (inside if hole is not Hole.NONE else apart):
        entry.refuse("has a stored value that lies neither outside nor in a hole of its region")
    evidence = entry.take("evidence")
    if isinstance(evidence, bool) or not isinstance(evidence, (int, float)) or not 0 <= evidence < 1e9:
        entry.refuse("has evidence that is no number of bits")
    dumps = entry.number("dumps", 1, MOST_DUMPS)
    distinct = entry.number("distinct", 1, MOST_DUMPS)
    held = entry.rows("revisions", revisions)
    if any(type(one) is not int or not 0 <= one < revisions for one in held) or len(
        set(map(str, held))
    ) < len(held):
        entry.refuse("names revisions that the file does not have, or one twice")
    counted = None if first and not entry.has("length") else entry.take("length")
    length = None if counted is None else _length(_Entry(counted, f"{entry.where}, length"), size)
    if length is not None and hole is not Hole.NONE:
        entry.refuse("has a length though its stored value does not lie apart from the region")
    entry.done()
    numbers = tuple(one for one in held if isinstance(one, int))
    return Rule(algorithm, start, end, place, order, hole, float(evidence), dumps, distinct, numbers, length)


def _order(entry: _Entry, width: int) -> Order:
    """A byte order that a field of so many bits can have."""
    found = entry.word("order", Order)
    if width != 32 and found not in (Order.LITTLE, Order.BIG):
        entry.refuse(f"has a byte order that only values of 32 bits have, and is of {width}")
    return found


def _length(entry: _Entry, size: int) -> Length:
    width = entry.number("width", 8, 32)
    if width not in (8, 16, 32):
        entry.refuse("has a width that a length cannot have")
    found = Length(
        entry.number("place", 0, size - width // 8),
        width,
        _order(entry, width),
        entry.number("unit", 1, 4096),
        entry.number("base", 0, size),
    )
    entry.done()
    return found


def _algorithm(entry: _Entry) -> Algorithm:
    kind = entry.word("kind", Kind)
    width = entry.number("width", 8, 32)
    full = (1 << width) - 1
    found = Algorithm(
        kind=kind,
        width=width,
        word=entry.number("word", 1, 4),
        word_order=entry.word("word_order", Order),
        polynomial=entry.number("polynomial", 0, full),
        initial=entry.number("initial", 0, full),
        final=entry.number("final", 0, full),
        reflected=entry.flag("reflected"),
        negated=entry.flag("negated"),
        modulus=entry.number("modulus", 0, 65536),
        upper_first=entry.flag("upper_first"),
        swap=entry.number("swap", 1, 4),
    )
    entry.done()
    checks: Mapping[str, Callable[[], bool]] = {
        "width": lambda: (
            width in WIDTHS and (width != 24 or kind is Kind.CRC) and (width == 16 or kind is not Kind.ONES)
        ),
        "word": lambda: (
            found.word in (1, 2, 4) and 8 * found.word <= width and (found.word == 2 or kind is not Kind.ONES)
        ),
        "word_order": lambda: found.word_order in (Order.LITTLE, Order.BIG),
        "polynomial": lambda: (
            bool(found.polynomial & 1) == (kind is Kind.CRC) and (kind is Kind.CRC or not found.polynomial)
        ),
        "modulus": lambda: found.modulus in _MODULI and bool(found.modulus) == (kind is Kind.FLETCHER),
        "swap": lambda: found.swap in (1, 2, 4),
    }
    for key, right in checks.items():
        if not right():
            entry.refuse(f"has a {key} that its kind cannot have")
    if kind is Kind.FLETCHER and (
        width == 8 or found.modulus > 1 << (width // 2) or found.initial >= found.modulus
    ):
        entry.refuse("has a modulus or start that its width cannot have")
    return found

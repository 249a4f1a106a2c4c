"""Disorder that every read shows alike: data lines swapped, bytes swapped in words, bits slipped.

Each candidate is undone and the result asked for what only the right order has: bytes known from a reference
dump, self-checks that hold, text and smooth tables. Undoing the wrong thing to a sound dump destroys
structure, so a sound dump answers for itself. Code of an unknown processor is no structure: without text,
tables, erased areas or a reference nothing can be judged, and nothing is accused.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass
from functools import cache
from itertools import combinations, permutations
from typing import Protocol

import numpy as np

from mendbay.board.rom_dump import Bytes, Int64s
from mendbay.board.rom_fault_content import Content
from mendbay.board.rom_fault_kinds import Fault, FaultKind, Standing
from mendbay.board.rom_fault_texts import SmoothTables, smooth_words, text_bits
from mendbay.core.quantity import counted

SAMPLE_BYTES = 1 << 18
PIECE = 1024
WINDOW, ROOM = 8, 12
WINDOWS = 4096
HEAD_KEPT = 4096
REACH = 2 << 20
"""How much of a dump and its reference are compared by windows, in bytes from the start."""
LEAST_KNOWN = 0.2
LEAST_TEXT_GAIN = 60.0
LEAST_SMOOTH_GAIN = 400.0
LEAST_SMOOTH_WORDS = 128
TEXT_RATIO = 2.0
LEAST_RUNS = 3
"""Over 240 sound images, 151 of them pieces of real programs, the best wrong undoing gained 35 bits on 462,
and 16 bits where there was no text."""
PLENTY_BITS, PLENTY_RUNS = 800.0, 20
"""Text as read that leaves no question: the wrong order of lines or bits leaves a few scraps at most."""


LEAST_ALIKE = 0.02
"""Share of a dump that its reference must have, or a person is asked whether the two belong together."""
FEW_KNOWN = 24
"""Windows of eight bytes known only after undoing: none are known by accident, but for smooth tables."""
EDGE_RUN = 32
LEAST_EDGES = 6
LEAST_EDGE_BITS = 20.0
EACH_EDGE_BITS = 6.0


class SelfChecks(Protocol):
    """Self-checks of a family that were learned elsewhere."""

    def hold(self, data: bytes) -> tuple[int, int]:
        """How many of the checks hold on the dump, of how many that could be asked."""
        ...


@dataclass(frozen=True, slots=True)
class Undo:
    """One way to put a disordered dump right: first `table` on each byte, then bytes reversed in words of
    `word`, then the bit stream moved by `slip` bits towards its start."""

    kind: FaultKind
    words: str
    table: bytes = b""
    word: int = 1
    halves: bool = False
    """The two halves of each word are exchanged, instead of its bytes reversed."""
    slip: int = 0

    def apply(self, data: Bytes) -> Bytes:
        """The bytes put right, same shape; works on the last axis, whose size is a multiple of 4 or the rest
        is left as it is. A slip takes its last bits from filler of ones."""
        if self.table:
            data = np.frombuffer(self.table, np.uint8)[data]
        if self.word > 1:
            whole = data.shape[-1] // self.word * self.word
            cut = data[..., :whole].reshape(*data.shape[:-1], -1, self.word)
            turned = np.roll(cut, self.word // 2, axis=-1) if self.halves else cut[..., ::-1]
            data = np.concatenate((turned.reshape(*data.shape[:-1], whole), data[..., whole:]), axis=-1)
        if self.slip:
            ahead = np.concatenate((data[..., 1:], np.full_like(data[..., :1], 0xFF)), axis=-1)
            data = ((data << self.slip) | (ahead >> (8 - self.slip))).astype(np.uint8)
        return data


def _table_of(lanes: Sequence[int]) -> bytes:
    """The table for bytes whose bit `lanes[i]` stands for bit i."""
    values = np.arange(256)
    out = np.zeros(256, np.int64)
    for to, source in enumerate(lanes):
        out |= ((values >> source) & 1) << to
    return out.astype(np.uint8).tobytes()


def _lines(lanes: Sequence[int], words: str) -> Undo:
    return Undo(FaultKind.SWAPPED_LINES, words, _table_of(lanes))


@cache
def candidates() -> tuple[Undo, ...]:
    """All disorders that are tried, the simple ones first."""
    found = [
        Undo(FaultKind.BYTE_ORDER, "the two bytes of each 16-bit word are swapped", word=2),
        Undo(FaultKind.BYTE_ORDER, "the four bytes of each 32-bit word are reversed", word=4),
        Undo(FaultKind.BYTE_ORDER, "the halves of each 32-bit word are swapped", word=4, halves=True),
    ]
    found += [
        Undo(
            FaultKind.BIT_SLIP,
            f"the content is late by {counted(slip, 'bit')}, or early by {8 - slip}",
            slip=slip,
        )
        for slip in range(1, 8)
    ]
    for one, other in combinations(range(8), 2):
        lanes = list(range(8))
        lanes[one], lanes[other] = other, one
        found.append(_lines(lanes, f"data lines {one} and {other} are swapped"))
    for order in permutations(range(4)):
        if order != (0, 1, 2, 3):
            four = [*order, *(at + 4 for at in order)]
            found.append(
                _lines(four, f"the four serial lines stand in the order {', '.join(map(str, order))}")
            )
    found.append(_lines([1, 0, 3, 2, 5, 4, 7, 6], "the two serial lines are swapped"))
    found.append(_lines(range(7, -1, -1), "the bits of each byte are reversed"))
    found.append(_lines([4, 5, 6, 7, 0, 1, 2, 3], "the halves of each byte are swapped"))
    inverted = bytes(255 - value for value in range(256))
    found.append(Undo(FaultKind.SWAPPED_LINES, "every bit is inverted", inverted))
    unique: dict[tuple[bytes, int, bool, int], Undo] = {}
    for undo in found:
        unique.setdefault((undo.table, undo.word, undo.halves, undo.slip), undo)
    return tuple(unique.values())


@dataclass(frozen=True)
class Familiar:
    """The windows of a reference that are looked for in a dump: `keys` rising, `places` where each stands.

    A window is eight bytes, five of them different, read as one number.
    """

    keys: np.ndarray[tuple[int], np.dtype[np.uint64]]
    places: Int64s
    head: Bytes
    """The first bytes of the reference."""

    def known(self, windows: Bytes) -> tuple[np.ndarray[tuple[int], np.dtype[np.bool_]], Int64s]:
        """Which of the windows (shape (count, 8)) the reference has, and where it has them first."""
        asked = np.ascontiguousarray(windows).view(np.uint64).ravel()
        if not self.keys.size:
            return np.zeros(asked.size, bool), np.zeros(asked.size, np.int64)
        at = np.minimum(np.searchsorted(self.keys, asked), self.keys.size - 1)
        return self.keys[at] == asked, self.places[at]


def familiar(reference: Content) -> Familiar:
    """The windows of a reference; only of its first 2 MiB."""
    part = reference.data[: REACH + (64 << 10)]
    if part.size < WINDOW:
        return Familiar(np.zeros(0, np.uint64), np.zeros(0, np.int64), part)
    every = np.lib.stride_tricks.sliding_window_view(part, WINDOW)
    places = np.flatnonzero(reference.is_content[: every.shape[0]])
    keys = np.ascontiguousarray(every[places]).view(np.uint64).ravel()
    keys, first = np.unique(keys, return_index=True)
    return Familiar(keys, places[first], reference.data[:HEAD_KEPT])


def rows_of(content: Content) -> tuple[Bytes, Int64s]:
    """Evenly taken rows of twelve bytes of content at multiples of four, shape (rows, 12), and their places.
    Rows with little variety are left out: they are alike everywhere."""
    room = min(content.size - ROOM, REACH)
    fours = content.places[content.places < room] // 4 * 4
    places = fours[np.diff(fours, prepend=-1) != 0]
    if places.size > WINDOWS:
        places = places[np.linspace(0, places.size - 1, WINDOWS).astype(np.int64)]
    rows = content.data[places[:, None] + np.arange(ROOM)]
    ordered = np.sort(rows[:, :WINDOW], axis=1)
    varied = (np.diff(ordered, axis=1) != 0).sum(1) >= 4
    return rows[varied], places[varied]


@dataclass(frozen=True, slots=True)
class Order:
    """What is known about the order of a dump: the fault, if any, and how to undo it. `sound` is True if the
    dump as it stands is borne out by the reference or the self-checks."""

    fault: Fault | None
    undo: Undo | None
    sound: bool
    known_share: float | None
    """Share of the dump's windows that the reference has, after undoing; None without a reference."""
    by_tables: bool = False
    """Only smooth tables speak for it, which a shift by bytes may have disturbed as well."""


def find_order(
    content: Content, reference: Content | None, book: Familiar | None, rules: SelfChecks | None
) -> Order:
    """Asks the reference (with the `book` of its windows), self-checks and the dump's own structure, in this
    order."""
    known_share = None
    if reference is not None and book is not None:
        order = _by_reference(content, reference, book)
        if order.fault or order.sound:
            return order
        known_share = order.known_share
    if rules is not None:
        answer = _by_rules(content, rules)
        if answer is not None:
            return Order(answer.fault, answer.undo, answer.sound, known_share)
    blind = _by_structure(content)
    if blind.fault is None:
        blind = _by_edges(content)
    return Order(blind.fault, blind.undo, False, known_share, blind.by_tables)


def _by_reference(content: Content, reference: Content, book: Familiar) -> Order:
    rows, _ = rows_of(content)
    if rows.shape[0] < 32:
        return Order(None, None, False, None)
    as_is = float(book.known(rows[:, :WINDOW])[0].mean())
    if as_is >= 0.5:
        return Order(None, None, True, as_is)
    tried = [*candidates(), *_by_planes(content, reference)]
    shares = [float(book.known(undo.apply(rows)[:, :WINDOW])[0].mean()) for undo in tried]
    best = int(np.argmax(shares))
    clear = shares[best] >= LEAST_KNOWN and shares[best] >= 3 * as_is + 0.1
    few = shares[best] * rows.shape[0] >= FEW_KNOWN and shares[best] >= 10 * as_is
    if not clear and not few:
        return Order(None, None, as_is >= LEAST_KNOWN, as_is)
    what = (
        f"After undoing it {shares[best]:.0%} of {rows.shape[0]} sampled windows stand in the reference, "
        f"{as_is:.0%} as read: {tried[best].words}"
    )
    figures = {"known as read": as_is, "known when undone": shares[best], "windows": float(rows.shape[0])}
    return Order(
        _fault(tried[best], Standing.PROVEN if clear else Standing.LIKELY, what, figures),
        tried[best],
        False,
        shares[best],
    )


def _by_planes(content: Content, reference: Content) -> list[Undo]:
    """Any other order of the eight lines, if the reference has the same bytes in the same places."""
    size = min(content.size, reference.size, REACH)
    both = np.flatnonzero(content.is_content[:size] & reference.is_content[:size])
    if both.size < 256:
        return []
    both = both[np.linspace(0, both.size - 1, min(both.size, 1 << 14)).astype(np.int64)]
    ours = np.unpackbits(content.data[both][:, None], axis=1, bitorder="little").astype(np.float32)
    theirs = np.unpackbits(reference.data[both][:, None], axis=1, bitorder="little").astype(np.float32)
    same = (theirs.T @ ours + (1 - theirs).T @ (1 - ours)) / both.size
    lanes = same.argmax(1).tolist()
    if sorted(lanes) != list(range(8)) or lanes == list(range(8)):
        return []
    return [_lines(lanes, f"the data lines stand in the order {', '.join(map(str, lanes))}")]


def _by_rules(content: Content, rules: SelfChecks) -> Order | None:
    """None if the self-checks do not tell."""
    held, asked = rules.hold(content.data.tobytes())
    if asked and held >= 0.6 * asked:
        return Order(None, None, True, None)
    if asked < 2:
        return None
    best, most, among = None, held + 1, asked
    for undo in candidates():
        now, of = rules.hold(undo.apply(content.data).tobytes())
        if now > most and now >= 0.6 * of:
            best, most, among = undo, now, of
    if best is None:
        return None
    what = f"After undoing it {most} of {among} self-checks hold, {held} as read: {best.words}"
    figures = {"hold as read": float(held), "hold when undone": float(most), "asked": float(among)}
    return Order(_fault(best, Standing.PROVEN, what, figures), best, False, None)


def unlike(share: float) -> Fault:
    """The question that is left if the reference knows nothing of a dump and nothing explains it."""
    return Fault(
        FaultKind.UNLIKE,
        Standing.QUESTION,
        f"The reference has {share:.1%} of what was read: it belongs to another family, or its content is "
        "enciphered anew in each revision, or the read is out of order in a way that cannot be named",
        "Compare with a dump of the same revision, or check the wiring and the clock and read again",
        {"known as read": share},
    )


def _by_edges(content: Content) -> Order:
    """Bits slipped, told by the erased areas: content begins and ends on whole bytes, so where it meets FF
    the first zero bit is one of the first of a byte about half the time, and the last zero bit one of the
    last. After a slip both edges lie out of step by the same number of bits.

    Each edge is a draw from a geometric law (bits of content are taken as even); edges of the same two bytes
    count once, for blocks often begin and end alike.
    """
    nothing = Order(None, None, False, None)
    runs, data = content.runs, content.data
    erased = (runs.values == 0xFF) & (runs.stops - runs.starts >= EDGE_RUN)
    after, before = runs.stops[erased], runs.starts[erased]
    after, before = after[after + 1 < data.size], before[before >= 2]
    leading = np.unique(data[after].astype(np.int64) << 8 | data[after + 1]) >> 8
    trailing = np.unique(data[before - 1].astype(np.int64) << 8 | data[before - 2]) >> 8
    if min(leading.size, trailing.size) < LEAST_EDGES:
        return nothing
    starts = 7 - np.floor(np.log2(255 - leading)).astype(np.int64)  # ones before the first zero bit
    ends = np.floor(np.log2((255 - trailing) & -(255 - trailing))).astype(np.int64)
    by_start = [float(((starts + slip) % 8).sum()) for slip in range(8)]
    by_end = [float(((ends - slip) % 8).sum()) for slip in range(8)]
    slip = int(np.argmin(np.add(by_start, by_end)))
    gains = by_start[0] - by_start[slip], by_end[0] - by_end[slip]
    if slip == 0 or min(gains) < EACH_EDGE_BITS or sum(gains) < LEAST_EDGE_BITS:
        return nothing
    undo = next(one for one in candidates() if one.slip == 8 - slip)
    what = (
        f"{starts.size} beginnings and {ends.size} ends of content at erased areas lie out of step with "
        f"whole bytes alike: {undo.words}"
    )
    figures = {"bits for beginnings": gains[0], "bits for ends": gains[1]}
    return Order(_fault(undo, Standing.LIKELY, what, figures), undo, False, None)


def structure_sample(content: Content) -> Bytes:
    """At most 256 KiB of pieces with content, in order; a multiple of 1 KiB unless the dump is smaller."""
    pieces = content.size // PIECE
    if pieces * PIECE <= SAMPLE_BYTES:
        return content.data
    filled = content.is_content[: pieces * PIECE].reshape(pieces, PIECE).sum(1)
    wanted = np.flatnonzero(filled >= PIECE // 16)
    most = SAMPLE_BYTES // PIECE
    if wanted.size > most:
        groups = np.linspace(0, wanted.size // 8 - 1, most // 8).astype(np.int64)  # tables need neighbours
        wanted = wanted[(groups[:, None] * 8 + np.arange(8)).ravel()]
    return content.data[: pieces * PIECE].reshape(pieces, PIECE)[wanted].ravel()


def _by_structure(content: Content) -> Order:
    sample = structure_sample(content)
    nothing = Order(None, None, False, None)
    if sample.size < 256:
        return nothing
    here = text_bits(sample)
    if here.bits >= PLENTY_BITS and here.runs >= PLENTY_RUNS:
        return nothing
    tried = [(undo, text_bits(undo.apply(sample))) for undo in candidates()]
    best, there = max(tried, key=lambda one: one[1].bits)
    gains = there.bits - here.bits >= LEAST_TEXT_GAIN and there.runs >= LEAST_RUNS
    if gains and there.bits >= TEXT_RATIO * here.bits and there.total >= TEXT_RATIO * here.total:
        what = (
            f"After undoing it {there.runs} texts can be read, {here.bits:.0f} against "
            f"{there.bits:.0f} bits: {best.words}"
        )
        figures = {
            "text bits as read": here.bits,
            "text bits when undone": there.bits,
            "texts": float(there.runs),
        }
        return Order(_fault(best, _blind(best), what, figures), best, False, None)
    if here.total >= LEAST_TEXT_GAIN:
        return nothing
    return _by_tables(sample)


def _by_tables(sample: Bytes) -> Order:
    """Smooth tables, where there is no text to ask. Each is read in the better byte order, so that what is
    merely kept the other way round tells nothing."""
    best, most, words = None, 0.0, 0
    second = 0.0
    tables = SmoothTables(sample)
    for undo in candidates():
        gain, count = tables.gain(undo.apply(sample))
        if gain > most:
            best, second, most, words = undo, most, gain, count
        elif gain > second:
            second = gain
    if (
        best is None
        or most < LEAST_SMOOTH_GAIN
        or words < LEAST_SMOOTH_WORDS
        or most < 2.0 * words
        or most - second < 0.1 * most
    ):
        return Order(None, None, False, None)
    if smooth_words(sample) >= 0.5 * words:
        return Order(None, None, False, None)  # smooth as read, from another byte on
    what = f"After undoing it {words} words of tables are {most / words:.1f} bits smoother each: {best.words}"
    figures = {"smoothness gained in bits": most, "words": float(words)}
    return Order(_fault(best, Standing.QUESTION, what, figures), best, False, None, True)


def _blind(undo: Undo) -> Standing:
    """Some families keep their words swapped on a sound chip, and it reads back as it was written."""
    return Standing.QUESTION if undo.kind is FaultKind.BYTE_ORDER else Standing.LIKELY


def _fault(undo: Undo, standing: Standing, what: str, figures: dict[str, float]) -> Fault:
    steps: dict[FaultKind, str] = {
        FaultKind.BYTE_ORDER: "Switch the word swap of the reader off and read again; if a known-good board "
        "of the family reads the same way, its chips are kept so and nothing is wrong",
        FaultKind.BIT_SLIP: "Slow the clock down, check the clock line and the clock edge the reader samples "
        "on, and read again",
        FaultKind.SWAPPED_LINES: "Check the wiring of the data lines against the chip's pins and read again",
    }
    return Fault(undo.kind, standing, what, steps[undo.kind], figures)

"""A read that starts early or late by some bytes, and one that was cut off.

Without a reference the place of the content tells: parts of a ROM begin on page or sector borders after
filler, and tables at its head hold the addresses of those beginnings. If all of them are out by the same few
bytes, the read is.
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np

from mendbay.board.rom_dump import Bytes, Int64s
from mendbay.board.rom_fault_content import Content
from mendbay.board.rom_fault_kinds import Fault, FaultKind, Standing
from mendbay.board.rom_fault_order import Familiar, rows_of, structure_sample
from mendbay.board.rom_fault_texts import smooth_steps

FARTHEST = 64
"""Bytes of shift looked for without a reference: a reader loses or adds bytes of a command, not pages."""
FARTHEST_KNOWN = 4096
BORDER = 256
FILLER_BEFORE = 32
LEAST_STARTS = 3
HEAD_SPAN, HEAD_STEP, HEAD_VALUES, HEAD_FITS = 64, 8, 8, 0.7
"""First bytes of content held against the reference; step in which they are looked for; how many different
values they must have; share that must fit."""
SECTOR = 4096
MOST_MOVED = 0.75
"""Share of known windows at one distance that a newer revision does not move alike."""
HEAD = 8192
"""Bytes at the start in which tables of addresses are looked for."""
LEAST_POINTERS = 3
LEAST_TAIL = 32
CHECK_WIDTHS = (1, 2, 4, 8, 16, 20, 32)
"""Bytes of the usual check values. One at the end of a block with filler before it looks like a part that
begins so much before the border."""
LEAST_PHASE_WORDS = 32


@dataclass(frozen=True, slots=True)
class Shift:
    """A shift by `late` bytes: positive if the read begins late and misses the first bytes, negative if so
    many bytes came before the first."""

    late: int
    what: str
    figures: dict[str, float]
    standing: Standing


def find_shift(content: Content, book: Familiar | None, sound: bool) -> Fault | None:
    """A shift of the whole read.

    Args:
        content: the dump, its order put right.
        book: windows of a reference; None without one.
        sound: the dump is borne out by self-checks or a reference at its place already.
    """
    shift = (_by_head(content, book) or _by_reference(content, book)) if book is not None else None
    if shift is None and not sound and (book is None or not _in_place(content, book)):
        shift = _by_place(content) or _by_edges(content)
    if shift is None:
        return None
    count = abs(shift.late)
    plural = "byte" if count == 1 else "bytes"
    start = f"{count} {plural} late" if shift.late > 0 else f"{count} {plural} early"
    return Fault(
        FaultKind.SHIFTED,
        shift.standing,
        f"The read begins {start}: {shift.what}",
        "Check how many dummy bytes the reader skips after the read command, slow the clock down, read again",
        {"late": float(shift.late)} | shift.figures,
    )


def _in_place(content: Content, book: Familiar) -> bool:
    """Whether a fair share of what the reference has stands where it has it."""
    rows, places = rows_of(content)
    known, there = book.known(rows[:, :8])
    return int(known.sum()) >= 32 and float((there == places)[known].mean()) > 0.02


def _by_head(content: Content, book: Familiar) -> Shift | None:
    """A shift by up to 64 bytes, told by the first bytes of content alone: they are the reference's from
    another place. That holds for a newer revision too, unless just these bytes were changed."""
    head, data = book.head, content.data
    first = _first_lively(head)
    if first is None or data.size < head.size + 2 * FARTHEST:
        return None
    theirs = head[first : first + HEAD_SPAN]
    found: list[tuple[float, int]] = []
    for late in range(-FARTHEST, FARTHEST + 1):
        skip = max(0, late - first)  # bytes that such a late read does not have
        ours = data[first + skip - late : first - late + HEAD_SPAN]
        idle = late >= 0 or not (data[:-late] != data[0]).any()
        found.append((float((ours == theirs[skip:]).mean()) if idle and ours.size >= 8 else 0.0, late))
    as_read = found[FARTHEST][0]
    best, late = max(found)
    if late == 0 or best < HEAD_FITS or as_read > best - 0.4:
        return None
    what = (
        f"{best:.0%} of the first {HEAD_SPAN} bytes of content that the reference has stand {abs(late)} "
        "bytes from their place there"
    )
    return Shift(late, what, {"head fits": best, "head fits as read": as_read}, Standing.PROVEN)


def _first_lively(head: Bytes) -> int | None:
    """Where the first bytes begin that are not alike anywhere, as filler and few values are."""
    for first in range(0, head.size - HEAD_SPAN + 1, HEAD_STEP):
        counts = np.bincount(head[first : first + HEAD_SPAN], minlength=256)
        if int((counts > 0).sum()) >= HEAD_VALUES and int(counts.max()) <= HEAD_SPAN * 3 // 4:
            return first
    return None


def _by_reference(content: Content, book: Familiar) -> Shift | None:
    rows, places = rows_of(content)
    if not rows.size:
        return None
    known, there = book.known(rows[:, :8])
    away = (there - places)[known]
    if away.size < 32:
        return None
    near = away[np.abs(away) <= FARTHEST_KNOWN]
    if not near.size:
        return None
    counts = np.bincount(near + FARTHEST_KNOWN, minlength=2 * FARTHEST_KNOWN + 1)
    late = int(counts.argmax()) - FARTHEST_KNOWN
    share = float(counts.max() / away.size)
    at_place = float(counts[FARTHEST_KNOWN] / away.size)
    edge = max(8, away.size // 50)
    at_start = float((away[:edge] == late).mean())  # a newer revision moves what is behind, not the start
    if late == 0 or at_place > 0.02 or share < 0.25 or (at_start < 0.5 and share < MOST_MOVED):
        return None
    if late < 0 and (content.data[:-late] != content.data[0]).any():
        return None  # bytes before the first are those of an idle line; a newer revision put in its own
    what = f"{share:.0%} of the windows that the reference has stand {abs(late)} bytes from their place there"
    figures = {"at that distance": share, "at their place": at_place, "windows": float(away.size)}
    return Shift(late, what, figures, Standing.PROVEN)


def starts_of(content: Content) -> Int64s:
    """Where content begins after at least 32 bytes of filler (FF or 00), rising."""
    runs = content.runs
    filler = (runs.values == 0xFF) | (runs.values == 0x00)
    after = runs.stops[filler & (runs.stops - runs.starts >= FILLER_BEFORE)]
    after = after[after < content.size]
    begun: Int64s = after[content.is_content[after]]
    return begun


def _by_place(content: Content) -> Shift | None:
    starts = starts_of(content)
    starts = starts[starts > FARTHEST]
    votes, aligned = _pointer_votes(content, starts), _border_votes(starts)
    best_pointer = int(votes.argmax()) - FARTHEST
    pointed, pointed_here = int(votes.max()), int(votes[FARTHEST])
    if pointed_here >= LEAST_POINTERS and pointed_here * 2 >= pointed:
        return None  # the addresses in its tables are right as they stand
    late = int(aligned.argmax()) - FARTHEST
    bordered, bordered_here = int(aligned.max()), int(aligned[FARTHEST])
    count = int(starts.size)
    chance = float(votes.mean())  # where there are many parts and words some fit by accident
    by_pointers = (
        best_pointer != 0
        and pointed >= max(LEAST_POINTERS + 1, 0.6 * count, 8 * chance)
        and pointed_here * 4 <= pointed
    )
    enough = LEAST_STARTS if late % 4 else 2 * LEAST_STARTS
    by_border = late != 0 and bordered >= enough and bordered >= 0.6 * count and bordered_here == 0
    agree = (
        best_pointer == late != 0
        and pointed >= max(2.0, 8 * chance)
        and bordered >= max(2, 0.6 * count)
        and bordered_here == 0
    )
    if not (by_border or by_pointers or agree):
        return None
    chosen = late if by_border or agree else best_pointer
    here = int(aligned[chosen + FARTHEST])
    backed = by_pointers or agree or _out_of_phase(content, chosen)
    if not backed and _ends_fit(content, chosen):
        return None
    standing = Standing.LIKELY if backed or chosen not in CHECK_WIDTHS else Standing.QUESTION
    what = (
        f"put right, {here} of {count} parts begin on a border of {BORDER} bytes and "
        f"{int(votes[chosen + FARTHEST])} addresses in tables fit, {bordered_here} and {pointed_here} as read"
    )
    figures = {
        "borders as read": float(bordered_here),
        "borders put right": float(here),
        "addresses as read": float(pointed_here),
        "addresses put right": float(votes[chosen + FARTHEST]),
        "parts": float(count),
    }
    return Shift(chosen, what, figures, standing)


def _by_edges(content: Content) -> Shift | None:
    """A question at most: beginnings and ends of content that lie off the borders by the same few bytes,
    while none lies on one. Three of 256, or two of 4096, with a beginning and an end among them."""
    runs = content.runs
    filler = (runs.values == 0xFF) | (runs.values == 0x00)
    ends = runs.starts[filler & (runs.stops - runs.starts >= FILLER_BEFORE)]
    starts = starts_of(content)
    edges = (starts[starts > FARTHEST], ends[ends > FARTHEST])
    if any((one % BORDER == 0).any() for one in edges):
        return None
    shifts = np.arange(-FARTHEST, FARTHEST + 1)
    for border, least in ((SECTOR, 2), (BORDER, 3)):
        votes = [((one[:, None] + shifts) % border == 0).sum(0) for one in edges]
        both = np.where((votes[0] > 0) & (votes[1] > 0), votes[0] + votes[1], 0)
        late, count = int(both.argmax()) - FARTHEST, int(both.max())
        if count >= least and late not in CHECK_WIDTHS and late % 16:  # heads and tails of parts
            what = f"{count} beginnings and ends of content lie so far off borders of {border}, none on one"
            return Shift(late, what, {"edges put right": float(count)}, Standing.QUESTION)
    return None


def _border_votes(starts: Int64s) -> Int64s:
    """For each shift from -64 to 64 how many starts it would put on a border; shape (129,)."""
    shifts = np.arange(-FARTHEST, FARTHEST + 1)
    if not starts.size:
        return np.zeros(shifts.size, np.int64)
    votes: Int64s = ((starts[:, None] + shifts[None, :]) % BORDER == 0).sum(0)
    return votes


def _ends_fit(content: Content, late: int) -> bool:
    """Whether content ends on borders as read, more often than it would after putting the shift right."""
    runs = content.runs
    ends = runs.starts[runs.starts > 0]
    here, moved = int((ends % BORDER == 0).sum()), int(((ends + late) % BORDER == 0).sum())
    return here > moved and here > ends.size / 64


def _out_of_phase(content: Content, late: int) -> bool:
    """Whether smooth tables of words stand where they would be after such a shift, and not at multiples of
    their width."""
    sample = structure_sample(content)
    for width in (2, 4):
        if late % width == 0:
            continue
        seen = [max(smooth_steps(sample[first:], width, order) for order in "<>") for first in range(width)]
        moved = seen[-late % width]
        if moved >= LEAST_PHASE_WORDS and moved == max(seen) and seen[0] * 4 <= moved:
            return True
    return False


def _pointer_votes(content: Content, starts: Int64s) -> Int64s:
    """For each shift from -64 to 64 how many different starts the words at the head of the dump point at, if
    the dump is shifted by that much; shape (129,). Words of 24 bits are parts of those of 32."""
    votes = np.zeros(2 * FARTHEST + 1, np.int64)
    if not starts.size:
        return votes
    head: Bytes = content.data[:HEAD]
    words = np.concatenate([_words(head, width, order) for width, order in ((4, "<"), (4, ">"))])
    words = np.unique(words[(words >= BORDER) & (words < content.size + FARTHEST)])
    if words.size == 0 or words.size > 4096:
        return votes
    for start in starts[:2048].tolist():
        low, high = np.searchsorted(words, (start - FARTHEST, start + FARTHEST + 1))
        votes[words[low:high] - start + FARTHEST] += 1
    return votes


def _words(head: Bytes, width: int, order: str) -> Int64s:
    """All words of the head at any place, as numbers."""
    if head.size < width:
        return np.zeros(0, np.int64)
    every = np.lib.stride_tricks.sliding_window_view(head, width)
    return np.ascontiguousarray(every).view(np.dtype(f"{order}u{width}")).ravel().astype(np.int64)


def find_cut(content: Content, reference: Content | None, known_share: float | None) -> Fault | None:
    """A tail of one value where the reference has content, or, as a question, one unlike the other filler."""
    runs = content.runs
    if not runs.starts.size or runs.stops[-1] != content.size:
        return None
    start, value = int(runs.starts[-1]), int(runs.values[-1])
    length = content.size - start
    if reference is not None and reference.size == content.size:
        missing = int(reference.is_content[start:].sum())
        before = int(reference.is_content[:start].sum())
        if (
            missing >= LEAST_TAIL
            and missing >= 0.02 * before
            and start <= _last_content(reference) - LEAST_TAIL
        ):
            sure = known_share is not None and known_share >= 0.9
            return _cut(
                start, content.size, value, sure, f"the reference has {missing} bytes of content there"
            )
        return None
    alike = int((runs.values[:-1] == value).sum())
    other = (runs.values[:-1] == (0xFF if value == 0 else 0)) & (runs.stops[:-1] - runs.starts[:-1] >= 256)
    if value in (0x00, 0xFF) and length >= 1024 and alike == 0 and int(other.sum()) >= 2:
        return _cut(start, content.size, value, None, "all other filler has another value")
    return None


def _last_content(reference: Content) -> int:
    return int(reference.places[-1]) + 1 if reference.places.size else 0


def _cut(start: int, size: int, value: int, sure: bool | None, why: str) -> Fault:
    standing = {True: Standing.PROVEN, False: Standing.LIKELY, None: Standing.QUESTION}[sure]
    return Fault(
        FaultKind.TRUNCATED,
        standing,
        f"From {start:06X}h on every byte is {value:02X}, and {why}: the read seems cut off there",
        "Read again from the start to the end and watch for a message of the reader",
        {"tail bytes": float(size - start)},
        ((start, size),),
    )

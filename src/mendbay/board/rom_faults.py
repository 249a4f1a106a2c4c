"""All tests for faults that every read of a chip shows alike, in the order that makes sense of them.

What voting cannot see must be found by structure: a stuck line is the same in every read. What the dump alone
can tell, without a reference or self-checks:

- always: nothing read; a length or a size by the chip's table that is not the chip's; reads past its end;
- wherever the content is mixed: a data line that never moves, an address line across which all is the same;
- only where there is something to be out of order: swapped lines (text, smooth tables), slipped bits (these,
  or erased areas with whole bytes at their edges), a shift (borders, addresses, phases of tables);
- never for certain: words kept swapped, a copy in the other half of the chip, a tail of the erased value. A
  sound chip of some family reads just so, so these are questions or nothing;
- not at all: lines, words, shift or slip of what is enciphered from end to end.
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np

from mendbay.board.rom_fault_address import find_alias, find_sizes
from mendbay.board.rom_fault_content import Content, content_of
from mendbay.board.rom_fault_kinds import Fault, FaultKind, Standing
from mendbay.board.rom_fault_lines import find_blank, find_stuck
from mendbay.board.rom_fault_order import (
    LEAST_ALIKE,
    Familiar,
    Order,
    SelfChecks,
    familiar,
    find_order,
    unlike,
)
from mendbay.board.rom_fault_shift import find_cut, find_shift

GRAVITY = (
    FaultKind.BLANK,
    FaultKind.STUCK_LINE,
    FaultKind.ALIASED,
    FaultKind.WRAPPED,
    FaultKind.SWAPPED_LINES,
    FaultKind.BIT_SLIP,
    FaultKind.SHIFTED,
    FaultKind.BYTE_ORDER,
    FaultKind.TRUNCATED,
    FaultKind.LENGTHS_DIFFER,
    FaultKind.WRONG_SIZE,
    FaultKind.TWO_STATES,
    FaultKind.STRAY,
    FaultKind.UNSTABLE,
    FaultKind.BURST,
    FaultKind.NOISE,
    FaultKind.ODD_LENGTH,
    FaultKind.UNLIKE,
)
"""Which fault is the primary one: the earlier explains or outweighs the later."""


@dataclass(frozen=True, slots=True)
class Known:
    """What is known besides the reads: sizes in bytes by the chip's id and by its own table, a sound dump of
    the same family (any revision), and the family's self-checks. None where not known."""

    chip_size: int | None = None
    sfdp_size: int | None = None
    reference: bytes | None = None
    rules: SelfChecks | None = None


@dataclass(frozen=True, slots=True)
class Examined:
    """The faults of one dump, gravest first, and whether a reference or self-checks bear it out as it is."""

    faults: tuple[Fault, ...]
    order: Order | None


def gravest_first(faults: list[Fault]) -> tuple[Fault, ...]:
    """The faults with the primary one first; questions come last."""
    return tuple(sorted(faults, key=lambda one: (one.standing is Standing.QUESTION, GRAVITY.index(one.kind))))


def examine(data: bytes, known: Known, noise: float = 0.0) -> Examined:
    """Looks for everything that can be told from one dump, voted or single.

    Args:
        data: the dump, at least 1 KiB.
        known: what else is known.
        noise: share of bits that may still be wrong in it, 0 to 1.
    """
    content = content_of(np.frombuffer(data, np.uint8))
    faults = find_sizes(content.size, known.chip_size, known.sfdp_size)
    blank = find_blank(content)
    if blank:
        return Examined(gravest_first([*faults, blank]), None)
    reference = content_of(np.frombuffer(known.reference, np.uint8)) if known.reference else None
    stuck = find_stuck(content, reference, noise)
    chip_size = known.chip_size if known.chip_size is not None else known.sfdp_size
    alias = find_alias(content, chip_size, reference, noise)
    faults += [one for one in (stuck, alias) if one]
    if stuck or (alias and alias.kind is FaultKind.ALIASED and alias.standing is not Standing.QUESTION):
        return Examined(gravest_first(faults), None)
    book = familiar(reference) if reference is not None else None
    order = find_order(content, reference, book, known.rules)
    placed = _of_place(content, reference, book, order)
    if order.fault and not (order.by_tables and placed):
        faults.append(order.fault)
    faults += placed
    if not faults and order.known_share is not None and order.known_share < LEAST_ALIKE:
        faults.append(unlike(order.known_share))
    return Examined(gravest_first(faults), order)


def _of_place(
    content: Content, reference: Content | None, book: Familiar | None, order: Order
) -> list[Fault]:
    """Shift and missing tail, asked of the dump with its order put right."""
    if order.undo is not None and not order.by_tables:
        if reference is None:
            return []  # without a reference the order alone is as much as can be told
        content = content_of(order.undo.apply(content.data))
    by_rules = order.sound and reference is None
    shift = find_shift(content, book, by_rules)
    cut = None if shift else find_cut(content, reference, order.known_share)
    return [one for one in (shift, cut) if one]

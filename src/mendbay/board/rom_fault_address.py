"""Faults of length and address: sizes that do not fit, an address line that is stuck, a read that runs past
the end of the chip and starts over.

Rule for sizes: the id, the chip's own table (JESD216) and the length of the dump must agree; many parts carry
a wrong table, so a disagreement is a reason to stop, not proof of a bad read (remarks on the linux-mtd list).
A serial chip read past its end goes on from its first byte; so do the halves of a chip whose top address line
is stuck: the size of the chip alone tells them apart.
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np

from mendbay.board.rom_fault_content import Content
from mendbay.board.rom_fault_kinds import Fault, FaultKind, Standing

SAMPLE = 1 << 15
SAME_SHARE = 0.95
"""Where the dump is noisy; without noise every byte must be the same, for two near copies are no alias."""
NOISE_ROOM = 32
LEAST_CONTENT = 64
LEAST_VALUES = 16
FILLED_SHARE = 0.25
MANY_PAIRS = 4


def find_sizes(length: int, chip_size: int | None, sfdp_size: int | None) -> list[Fault]:
    """What the length, the id and the chip's table say against each other; sizes in bytes."""
    found = []
    claims = {"the chip's id": chip_size, "the chip's own table": sfdp_size}
    known = {name: size for name, size in claims.items() if size is not None}
    figures = {"length": float(length)} | {name: float(size) for name, size in known.items()}
    sizes = set(known.values())
    if len(sizes) > 1:
        said = " and ".join(f"{name} says {size} bytes" for name, size in known.items())
        found.append(
            Fault(
                FaultKind.WRONG_SIZE,
                Standing.PROVEN,
                f"{said}".capitalize() + f", and {length} were read",
                "Read the marking on the chip and find its size there; trust neither number till then",
                figures,
            )
        )
    elif sizes and length not in sizes:
        size = sizes.pop()
        short = length < size
        found.append(
            Fault(
                FaultKind.TRUNCATED if short else FaultKind.WRONG_SIZE,
                Standing.PROVEN,
                f"{length} bytes were read of a chip of {size}",
                f"Set the reader to {size} bytes and read again",
                figures,
                ((length, size),) if short else ((size, length),),
            )
        )
    elif not sizes and length & (length - 1):
        found.append(
            Fault(
                FaultKind.ODD_LENGTH,
                Standing.LIKELY,
                f"{length} bytes are no power of two, as the size of nearly every chip is",
                "Read the chip's id, set the reader to the size it stands for and read again",
                figures,
            )
        )
    return found


@dataclass(frozen=True, slots=True)
class Repeats:
    """Across which address bits the content repeats, and how well: `bits` rising, `share` 0 to 1, `places`
    compared, `pairs` of blocks with content, each for the weakest of the bits."""

    bits: tuple[int, ...]
    share: float
    places: int
    pairs: int


def repeats_of(content: Content, noise: float = 0.0) -> Repeats:
    """Address bits across which the content is the same; filler is left out. `noise` is the share of bits
    that may be wrong, 0 to 1."""
    least = max(SAME_SHARE, 1 - NOISE_ROOM * noise)
    bits, shares, places, pairs = [], [], [], []
    sample = content.sample(SAMPLE)
    for bit in range(max(content.size - 1, 1).bit_length()):
        share, count, blocks, values = _across(content, sample, bit)
        if share < least or count < LEAST_CONTENT or values < LEAST_VALUES:
            continue
        share, count, blocks, values = _across(content, content.places, bit)
        if share >= least:
            bits.append(bit)
            shares.append(share)
            places.append(count)
            pairs.append(blocks)
    if not bits:
        return Repeats((), 0.0, 0, 0)
    return Repeats(tuple(bits), min(shares), min(places), min(pairs))


def _across(
    content: Content, places: np.ndarray[tuple[int], np.dtype[np.int64]], bit: int
) -> tuple[float, int, int, int]:
    """Share of places equal to their counterpart, places compared, block pairs, different values seen."""
    other = places ^ (1 << bit)
    inside = other < content.size
    places, other = places[inside], other[inside]
    if not places.size:
        return 0.0, 0, 0, 0
    here = content.data[places]
    same = here == content.data[other]
    blocks = int((np.diff(places >> (bit + 1)) != 0).sum()) + 1
    values = int((np.bincount(here, minlength=256) > 0).sum())
    return float(same.mean()), int(places.size), blocks, values


def find_alias(
    content: Content, chip_size: int | None, reference: Content | None, noise: float = 0.0
) -> Fault | None:
    """Content that is the same across an address bit.

    Args:
        content: the dump, not blank.
        chip_size: bytes that the chip's id stands for; None if not known.
        reference: a sound dump of the family; what repeats there as well is no fault.
        noise: share of bits that may be wrong in the dump, 0 to 1.
    """
    seen = repeats_of(content, noise)
    expected = (
        set(repeats_of(reference).bits) if reference is not None and reference.size == content.size else set()
    )
    bits = tuple(bit for bit in seen.bits if bit not in expected)
    if not bits:
        return None
    top = (content.size - 1).bit_length() - 1
    figures = {"lowest bit": bits[0], "same": seen.share, "bytes compared": seen.places, "pairs": seen.pairs}
    if bits == tuple(range(bits[0], top + 1)):
        return _wrapped(content, 1 << bits[0], chip_size, reference is not None, figures)
    filled = content.places.size / content.size
    if reference is not None:
        standing = Standing.PROVEN
    else:
        # one pair of blocks alone may be an image kept twice in a chip that is not full
        enough = seen.pairs >= MANY_PAIRS or (seen.pairs > 1 and filled >= FILLED_SHARE)
        standing = Standing.LIKELY if enough else Standing.QUESTION
    named = " and ".join(f"A{bit}" for bit in bits)
    return Fault(
        FaultKind.ALIASED,
        standing,
        f"{seen.share:.1%} of {seen.places} bytes of content are the same whether address bit {named} is set "
        "or not: that address line does not reach the chip",
        "Check that address line, or on a serial chip clock and data in, slow the clock down and read again",
        figures,
    )


def _wrapped(
    content: Content, period: int, chip_size: int | None, has_reference: bool, figures: dict[str, float]
) -> Fault:
    seen = f"The content repeats every {period} bytes"
    where = ((period, content.size),)
    if chip_size == period:
        return Fault(
            FaultKind.WRAPPED,
            Standing.PROVEN,
            f"{seen}, the size of the chip: the reader went past its end and began again",
            f"Use the first {period} bytes, or set the reader to that size and read again",
            figures,
            where,
        )
    little = content.places.size < LEAST_CONTENT * 64
    standing = Standing.PROVEN if has_reference else Standing.QUESTION if little else Standing.LIKELY
    if chip_size is None:
        return Fault(
            FaultKind.WRAPPED,
            standing,
            f"{seen}: the chip is smaller than what was read, or its upper address lines do not reach it, or "
            "it holds the same copy more than once",
            "Find out the chip's id, its size decides: rom read asks for it, rom keep takes it as --chip-id",
            figures,
            where,
        )
    bit = period.bit_length() - 1
    return Fault(
        FaultKind.ALIASED,
        Standing.PROVEN if has_reference else Standing.QUESTION,
        f"{seen}, but the chip has {chip_size}: either it really holds the same copy more than once, or "
        f"address bit A{bit} does not reach it, which is rare where addresses are sent serially",
        "Compare with another dump of the family; if that holds one copy, slow the clock down and read again",
        figures,
        where,
    )

"""What several fresh kinds share: per-drive areas as their engineer likes them, a code image, padding."""

from __future__ import annotations

from support.rom_family_checks import OwnField, Region
from support.rom_family_formulas import Formula
from support.rom_family_fresh_drives import fresh_fields
from support.rom_family_fresh_formulas import fresh_formula
from support.rom_family_parts import magic, stored_order
from support.rom_family_pen import Pen


def up_to(at: int, unit: int) -> int:
    """The first multiple of `unit` from `at` on."""
    return at + -at % unit


def pad(pen: Pen, at: int, end: int, value: int = 0) -> int:
    """Constant bytes in [at, end). Returns `end`."""
    return pen.put(at, bytes([value]) * (end - at))


def personal(pen: Pen, at: int, end: int, tag: str) -> int:
    """Per-drive fields from `at`, at most to `end` (at least 8 bytes), with this engineer's gaps.

    Returns the end of what is used, a multiple of 4.
    """
    pick, begin, limit = pen.pick, at, end & ~3
    unit = pick.choice([1, 2, 4, 8])
    reserved = pick.choice([b"", b"\0\0\0\0", b"\xff\xff", b"\xee\xee"])
    for number, field in enumerate(fresh_fields(pick, pen.order)):
        start = begin + up_to(at - begin, unit)  # the same wherever a revision puts the area
        if start + field.length > limit:
            continue
        pad(pen, at, start)
        at = pen.field(start, field, f"{tag}.{number}")
        if at + len(reserved) <= limit and pick.random() < 0.25:
            at = pen.put(at, reserved)
    return pad(pen, at, up_to(at, 4))


def filled(pen: Pen, at: int, end: int, tag: str) -> int:
    """The same, and the rest of [at, end) padded with one value. Returns `end`."""
    return pad(pen, personal(pen, at, end, tag), end, pen.pick.choice([0x00, 0x00, 0xFF, 0x5A]))


def image(pen: Pen, start: int, end: int, tag: str, *names: str) -> None:
    """A code image in [start, end), multiples of 16: its own check behind it or in a header with its size.

    The size counts bytes, words or 512-byte sectors less one, as the engineer liked. `names` are formulas.
    """
    pick = pen.pick
    formula, order = fresh_formula(pen, *names), stored_order(pen)
    if pick.random() < 0.5:
        pen.code(start, end - 8 - start, tag, "code")
        version = pick.random() < 0.5  # between the code and its check
        at = pen.version(end - 8, 4) if version else pad(pen, end - 8, end - 4)
        pen.check(tag, formula, (start, pick.choice([end - 8, at])), end - 4, order)
        return
    size = pick.choice([end - start, end - start - 32, (end - start) // 4 - 1, (end - start - 1) // 512])
    at = pen.put(start, magic(pen))
    at = pen.number(at, size, 4)
    at = pen.version(at, 4)
    place, at = at, at + 4
    pad(pen, place + formula.width, at)
    at = pad(pen, at, start + 32, pick.choice([0, 0xFF]))
    pen.code(at, end - at, tag, "code")
    own = pick.choice([OwnField.OUTSIDE, OwnField.ZEROED])
    pen.check(tag, formula, (at if own is OwnField.OUTSIDE else start, end), place, order, own)


def amid(pen: Pen, name: str, formula: Formula, whole: Region, at: int) -> None:
    """A check inside what it covers: left out, or taken as zeros or as erased."""
    own = pen.pick.choice(list(OwnField))
    if own is OwnField.OUTSIDE:
        pen.check(name, formula, (whole[0], at), at, also=((at + formula.width, whole[1]),))
    else:
        pen.check(name, formula, whole, at, own=own)

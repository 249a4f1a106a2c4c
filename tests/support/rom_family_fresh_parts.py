"""What several fresh kinds share: per-drive areas as their engineer likes them, a code image, padding."""

from __future__ import annotations

from dataclasses import dataclass

from support.rom_family_checks import Order, OwnField, Region
from support.rom_family_content import rng_of
from support.rom_family_formulas import Formula
from support.rom_family_fresh_drives import fresh_fields
from support.rom_family_fresh_formulas import fresh_formula
from support.rom_family_parts import stored_order
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


@dataclass(frozen=True)
class Dress:
    """How code images of a firmware are guarded: in a header with their size, or behind them.

    The size counts bytes with or without the header, words less one or 512-byte sectors less one. `own` and
    `counting` matter to a header only, `version` (between the code and the check) and `with_version` (it is
    covered) to a check behind.
    """

    formula: Formula
    order: Order
    headed: bool
    own: OwnField
    counting: str
    version: bool
    with_version: bool


def dress(pen: Pen, *names: str) -> Dress:
    """One with a formula of the names."""
    pick = pen.pick
    return Dress(
        fresh_formula(pen, *names),
        stored_order(pen),
        pick.random() < 0.5,
        pick.choice([OwnField.OUTSIDE, OwnField.ZEROED]),
        pick.choice(["bytes", "code bytes", "words", "sectors"]),
        pick.random() < 0.5,
        pick.random() < 0.5,
    )


def image(pen: Pen, start: int, end: int, tag: str, how: Dress) -> None:
    """A code image and its check in [start, end), both multiples of 16."""
    if not how.headed:
        at = pen.code(start, end - 8 - start, tag, "code")
        place = pen.version(at, 4) if how.version else pad(pen, at, end - 4)
        pen.check(tag, how.formula, (start, place if how.with_version else at), place, how.order)
        return
    total, code = end - start, start + 32
    sizes = {"bytes": total, "code bytes": total - 32, "words": total // 4 - 1, "sectors": (total - 1) // 512}
    at = pen.put(start, rng_of(pen.key, "image mark").bytes(4))
    at = pen.number(at, sizes[how.counting], 4)
    place = pen.version(at, 4)
    pad(pen, place + how.formula.width, code)
    pen.code(code, end - code, tag, "code")
    covered = (code if how.own is OwnField.OUTSIDE else start, end)
    pen.check(tag, how.formula, covered, place, how.order, how.own)


def amid(pen: Pen, name: str, formula: Formula, whole: Region, at: int, own: OwnField) -> None:
    """A check at `at` inside `whole`, which it covers; itself left out or taken as `own` says."""
    if own is OwnField.OUTSIDE:
        pen.check(name, formula, (whole[0], at), at, also=((at + formula.width, whole[1]),))
    else:
        pen.check(name, formula, whole, at, own=own)

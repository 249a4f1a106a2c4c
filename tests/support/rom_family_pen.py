"""Drawing one revision of a board ROM, and the family that makes dumps of it.

A kind is a function that draws with a `Pen`. What it lays down by `put` and `code` is constant in a revision;
`field`, `copy`, `cloak` and any `check` over what they made become steps that each dump carries out in the
order in which they were drawn. So what a check covers, other checks included, is always drawn before it.
"""

from __future__ import annotations

import random
from collections.abc import Callable, Sequence
from dataclasses import dataclass, replace
from functools import lru_cache

from support.rom_family_checks import (
    HiddenCheck,
    LengthField,
    Order,
    OwnField,
    Region,
    Varies,
    learnable,
    merged,
    overlap,
    swapped_pairs,
    without,
)
from support.rom_family_content import (
    FLAVOURS,
    Machine,
    cloaked,
    invent_machine,
    make_code,
    make_content,
    revise,
    rng_of,
)
from support.rom_family_drives import Drive, Field, assortment
from support.rom_family_formulas import Formula

KIB = 1024
MOST_REVISIONS = 40
Step = Callable[[bytearray, Drive], None]
invent_machine_once = lru_cache(maxsize=256)(invent_machine)


class Pen:
    """Lays out one revision of a family.

    `pick` makes the same choices in every revision; only content drawn with a revision in its tags, and
    lengths from `growth`, differ.
    """

    def __init__(self, kind: str, seed: int, revision: int) -> None:
        self.key, self.revision = f"{kind}/{seed}", revision
        self.pick = random.Random(self.key)
        self.machine: Machine = invent_machine_once(self.key)
        self.order: Order = "big" if self.machine.order == "big" else "little"
        self.pair_swapped = False
        self.image = bytearray()
        self.steps: list[Step] = []
        self.checks: list[HiddenCheck] = []
        self.fields: list[Region] = []
        self.used: list[Region] = []
        self.by_drive: list[Region] = []
        self.by_revision: list[Region] = []
        self.mirrors: list[tuple[Region, Region]] = []
        self.moves = False
        self.reworked = False

    @property
    def size(self) -> int:
        return len(self.image)

    @property
    def other_order(self) -> Order:
        return "little" if self.order == "big" else "big"

    def sheet(self, *kib: int, erased: int = 0xFF) -> int:
        """Takes an empty chip of one of the sizes; returns its size in bytes."""
        self.image = bytearray([erased]) * (self.pick.choice(kib) * KIB)
        return self.size

    def put(self, at: int, data: bytes, revised: bool = False) -> int:
        """Constant bytes; `revised` if they differ between revisions. Returns their end."""
        end = at + len(data)
        if at < 0 or end > self.size:
            raise ValueError(f"{self.key}: [{at:#x}, {end:#x}) is outside the chip")
        if overlap([(at, end)], self.used):
            raise ValueError(f"{self.key}: [{at:#x}, {end:#x}) is used already")
        self.image[at:end] = data
        self.used.append((at, end))
        if revised:
            self.by_revision.append((at, end))
        return end

    def number(
        self, at: int, value: int, width: int, order: Order | None = None, revised: bool = False
    ) -> int:
        """A constant number in the machine's byte order, unless another is given. Returns its end."""
        return self.put(at, value.to_bytes(width, order or self.order), revised)

    def version(self, at: int, width: int = 2) -> int:
        """The version number of the firmware. Returns its end."""
        return self.number(at, 0x0100 + self.revision, width, revised=True)

    def growth(self, tag: str, unit: int) -> int:
        """By how many bytes something is longer in this revision than in the first; multiples of `unit`."""
        self.moves = True
        units = [
            rng_of(self.key, "growth", tag, one).choice([-1, 1, 2]) for one in range(1, self.revision + 1)
        ]
        return unit * int(sum(units))

    def content(
        self, length: int, tag: str, flavour: str = "", steady: bool = False, grown: int = 0
    ) -> bytes:
        """Constant content of a module: `grown` of its `length` came since the first revision.

        Reworked in every, every second or every third revision; never if `steady`. The first module that is
        not steady is reworked in every one, so that no two revisions are the same.
        """
        flavour = flavour or self.pick.choice(FLAVOURS)
        every, share = self.pick.choice([1, 1, 2, 3]), self.pick.random()
        every, self.reworked = every if self.reworked or steady else 1, self.reworked or not steady
        content = make_content(self.machine, flavour, length - grown, self.key, tag)
        if not steady:
            for one in range(every, self.revision + 1, every):
                content = revise(content, self.machine, length - grown, share, self.key, tag, one)
        tail = make_code(self.machine, rng_of(self.key, tag, "tail"), max(0, grown))
        return (content.tobytes() + tail.tobytes())[:length]

    def code(
        self, at: int, length: int, tag: str, flavour: str = "", steady: bool = False, grown: int = 0
    ) -> int:
        """Puts such content. Returns its end."""
        return self.put(at, self.content(length, tag, flavour, steady, grown), revised=not steady)

    def field(self, at: int, field: Field, tag: str) -> int:
        """A field of per-drive data. Returns its end."""
        end = at + field.length

        def step(dump: bytearray, drive: Drive) -> None:
            dump[at:end] = field.make(drive, tag)

        self.put(at, bytes(field.length))
        self.steps.append(step)
        self.fields.append((at, end))
        self.by_drive.append((at, end))
        return end

    def drive_block(self, at: int, end: int, tag: str, serial: bool = True, tight: bool = False) -> int:
        """Fills [at, end) with per-drive fields, in some families with a constant label before each.

        The rest stays erased or is made zero; if `tight` it is left alone, for something else to follow.
        Returns the end of the last field."""
        labelled, zero_rest = self.pick.random() < 0.4, self.pick.random() < 0.5
        rest = end
        for number, field in enumerate(assortment(self.pick, end - at, self.order, serial)):
            if labelled and field.length + 4 <= end - at:
                at = self.put(at, f"{field.label[:2].upper()}{number:02d}".encode())
            if field.length > end - at:
                continue
            at = self.field(at, field, f"{tag}.{number}")
        if zero_rest and not tight:
            self.put(at, bytes(rest - at))
        return at

    def check(
        self,
        name: str,
        formula: Formula,
        covered: Region,
        at: int,
        order: Order | None = None,
        own: OwnField = OwnField.OUTSIDE,
        length: LengthField | None = None,
        also: tuple[Region, ...] = (),
    ) -> int:
        """A self-check of `covered`, and of `also` after it, stored at `at`. Returns the end of its field."""
        regions = (covered, *also)
        check = HiddenCheck(
            name,
            formula,
            regions,
            at,
            formula.width,
            order or self.order,
            own,
            self.variation(regions),
            length,
        )
        field = check.field
        inside = overlap([field], regions)
        if inside != (own is not OwnField.OUTSIDE):
            raise ValueError(f"{self.key} {name}: the field's place does not fit how it is treated")

        def store(dump: bytearray, drive: Drive | None = None) -> None:
            value = check.value(dump)
            if value is None:
                raise ValueError(f"{self.key} {name}: no value")
            dump[check.at : check.at + check.width] = value.to_bytes(check.width, check.order)

        self.put(at, bytes(check.width))
        if check.varies is Varies.DRIVE:
            self.steps.append(store)
        else:  # what it covers is all there already
            store(self.image)
        self.checks.append(check)
        if check.varies is Varies.DRIVE:
            self.by_drive.append(field)
        elif check.varies is Varies.REVISION:
            self.by_revision.append(field)
        return field[1]

    def variation(self, regions: Sequence[Region]) -> Varies:
        """Between which dumps the regions as drawn so far differ."""
        if overlap(regions, self.by_drive):
            return Varies.DRIVE
        return Varies.REVISION if overlap(regions, self.by_revision) else Varies.NEVER

    def copy(self, start: int, end: int, to: int) -> int:
        """A second copy of a region as it is at this point. Returns its end."""
        size = end - start

        def step(dump: bytearray, drive: Drive) -> None:
            dump[to : to + size] = dump[start:end]

        self.put(to, bytes(size))
        self.steps.append(step)
        self.mirrors.append(((start, end), (to, to + size)))
        for place in (self.by_drive, self.by_revision, self.fields):
            hit = [(max(low, start), min(high, end)) for low, high in place if low < end and start < high]
            place.extend((low - start + to, high - start + to) for low, high in hit)
        for check in list(self.checks):
            if all(start <= low and high <= end for low, high in (*check.covered, check.field)):
                self.checks.append(_shifted(check, to - start))
        return to + size

    def cloak(self, start: int, end: int, tag: str, number: Region) -> None:
        """Enciphers a region with a key of the family and the drive's number that lies at `number`."""
        key = rng_of(self.key, "cloak", tag).bytes(32)

        def step(dump: bytearray, drive: Drive) -> None:
            dump[start:end] = cloaked(bytes(dump[start:end]), key + dump[number[0] : number[1]])

        self.steps.append(step)
        self.used.append((start, end))  # erased bytes in it are no longer erased
        self.fields.append((start, end))
        self.by_drive.append((start, end))

    def secret(self, tag: str) -> bytes:
        """A key that stands in no dump."""
        return rng_of(self.key, "secret", tag).bytes(32)


@dataclass(frozen=True)
class Edition:
    """One revision of a family.

    Args:
        per_drive: regions of data that varies per drive; single bytes of them may be the same in most.
        varying: these and the stored fields of checks that vary with them: nothing else differs between
            the drives of a revision.
        constant: used bytes that are the same in all drives of the revision.
        filler: erased bytes that nothing was put in.
        mirrors: (region, its copy), equal in every dump.
    """

    size: int
    checks: tuple[HiddenCheck, ...]
    per_drive: tuple[Region, ...]
    varying: tuple[Region, ...]
    constant: tuple[Region, ...]
    filler: tuple[Region, ...]
    mirrors: tuple[tuple[Region, Region], ...]
    moves: bool
    pair_swapped: bool
    image: bytes
    steps: tuple[Step, ...]

    def dump(self, drive: Drive) -> bytes:
        work = bytearray(self.image)
        for step in self.steps:
            step(work, drive)
        return swapped_pairs(bytes(work)) if self.pair_swapped else bytes(work)


@dataclass(frozen=True)
class Kind:
    """A way of laying out a ROM; `sentence` says it for a person."""

    name: str
    sentence: str
    draw: Callable[[Pen], None]

    def edition(self, seed: int, revision: int) -> Edition:
        pen = Pen(self.name, seed, revision)
        self.draw(pen)
        even = pen.pair_swapped
        fields = tuple(one.field for one in pen.checks)
        used, varying = merged(_evened(pen.used, even)), merged(_evened(pen.by_drive, even))
        return Edition(
            size=pen.size,
            checks=tuple(replace(one, pair_swapped=even, fields=fields) for one in pen.checks),
            per_drive=tuple(merged(_evened(pen.fields, even))),
            varying=tuple(varying),
            constant=tuple(without(used, varying)),
            filler=tuple(without([(0, pen.size)], used)),
            mirrors=tuple(pen.mirrors),
            moves=pen.moves,
            pair_swapped=even,
            image=bytes(pen.image),
            steps=tuple(pen.steps),
        )


def _shifted(check: HiddenCheck, by: int) -> HiddenCheck:
    """The same check in a copy of all that it concerns."""
    if check.length is not None:
        raise ValueError(f"{check.name}: a check with a length in the dump cannot be copied")
    covered = tuple((start + by, end + by) for start, end in check.covered)
    return replace(check, name=f"{check.name}, copy", covered=covered, at=check.at + by)


def _evened(regions: Sequence[Region], even: bool) -> list[Region]:
    """Regions widened to even borders: where swapped pairs carry what lies in them."""
    return [(start & ~1, end + 1 & ~1) for start, end in regions] if even else list(regions)


class HiddenFamily:
    """One instance of a kind: an invented board family, all its revisions and drives.

    Properties describe revision 0; `edition` gives the same for any other. Only if `moves` do places differ
    between revisions.
    """

    def __init__(self, kind: Kind, seed: int) -> None:
        self.kind, self.sentence, self.seed = kind.name, kind.sentence, seed
        self._kind = kind
        self._editions: dict[int, Edition] = {}

    def __repr__(self) -> str:
        return f"HiddenFamily({self.kind!r}, seed {self.seed})"

    def edition(self, revision: int = 0) -> Edition:
        """The layout of a revision, 0 to 40.

        Raises:
            ValueError: no such revision.
        """
        if not 0 <= revision <= MOST_REVISIONS:
            raise ValueError(f"revision {revision} is not between 0 and {MOST_REVISIONS}")
        if revision not in self._editions:
            if len(self._editions) >= 8:
                self._editions.pop(next(iter(self._editions)))
            self._editions[revision] = self._kind.edition(self.seed, revision)
        return self._editions[revision]

    def dump(self, drive_seed: int, revision: int = 0) -> bytes:
        """The chip of one drive: always the same bytes for the same seeds and revision."""
        return self.edition(revision).dump(Drive(f"{self.kind}/{self.seed}", drive_seed))

    def learnable(self, check: HiddenCheck, dumps: Sequence[bytes]) -> bool:
        """Whether the check takes at least two values over the dumps in which it holds."""
        return learnable(check, dumps)

    @property
    def size(self) -> int:
        return self.edition().size

    @property
    def checks(self) -> list[HiddenCheck]:
        return list(self.edition().checks)

    @property
    def per_drive(self) -> list[Region]:
        return list(self.edition().per_drive)

    @property
    def varying(self) -> list[Region]:
        return list(self.edition().varying)

    @property
    def constant(self) -> list[Region]:
        return list(self.edition().constant)

    @property
    def filler(self) -> list[Region]:
        return list(self.edition().filler)

    @property
    def mirrors(self) -> list[tuple[Region, Region]]:
        return list(self.edition().mirrors)

    @property
    def moves(self) -> bool:
        return self.edition().moves

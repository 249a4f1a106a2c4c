"""Every source of the pair stage holds to what is promised of a source."""

from __future__ import annotations

import pytest

from mendbay.core.source import Lack, Mark, PartOf, Source
from mendbay.core.span import Span, SpanSet
from mendbay.pair.assemble import assemble
from mendbay.pair.member import MissingMember, Withheld
from mendbay.pair.mirror import Half, Mirror
from mendbay.pair.raid10 import FAR_2, NEAR_2, OFFSET_2, Swapped, copy_on
from mendbay.pair.stripe import Raid0Layout, Stripe, linear_zones, raid0_zones
from support.box import bitmap_for, drive, member_bytes, superblock
from support.source_contract import check_source
from support.sources import MemorySource, numbered

CHUNK = 16384
SIZE = 10 * CHUNK
SCRATCH = {
    Lack.REFUSED: SpanSet([Span(1024, 2048), Span(30_208, 30_720), Span(SIZE - 512, SIZE)]),
    Lack.UNREAD: SpanSet([Span(CHUNK * 3, CHUNK * 5 + 512)]),
    Lack.WAIVED: SpanSet([Span(CHUNK * 7, CHUNK * 7 + 4096)]),
}
OTHER = {
    Lack.REFUSED: SpanSet([Span(1536, 3072)]),
    Lack.WAIVED: SpanSet([Span(CHUNK * 4, CHUNK * 4 + 1024)]),
    Lack.ABSENT: SpanSet([Span(CHUNK * 9, SIZE)]),
}


def healthy(bay: str = "1", size: int = SIZE) -> MemorySource:
    return MemorySource(numbered(size), bay=bay)


def scratched(bay: str = "1", size: int = SIZE) -> MemorySource:
    return MemorySource(numbered(size), SCRATCH, bay=bay)


def other(bay: str = "2", size: int = SIZE) -> MemorySource:
    return MemorySource(numbered(size, 5000), OTHER, bay=bay)


def marked() -> MemorySource:
    marks = {
        Mark.POSSIBLY_OLDER: SpanSet([Span(20_000, 60_000)]),
        Mark.OTHER_HALF: SpanSet([Span(50_000, 70_000)]),
    }
    return MemorySource(numbered(SIZE), SCRATCH, marks=marks)


def stale_mirror() -> Mirror:
    return Mirror(
        [Half(scratched()), Half(other(), older=SpanSet([Span(0, 2000), Span(CHUNK * 4, SIZE)]))], SIZE, "m"
    )


SOURCES: dict[str, Source] = {
    "memory": scratched(),
    "memory with marks": marked(),
    "part": PartOf(scratched(), Span(1000, SIZE - 3000), "part"),
    "part past the end": PartOf(scratched(), Span(CHUNK, SIZE + CHUNK), "part"),
    "missing member": MissingMember(SIZE, 512, "slot 1"),
    "withheld": Withheld(scratched(), SpanSet([Span(1500, 2500), Span(CHUNK * 8, SIZE)])),
    "withheld with marks": Withheld(marked(), SpanSet([Span(1500, 25_000)])),
    "mirror, both whole": Mirror([Half(healthy()), Half(healthy("2"))], SIZE, "m"),
    "mirror, both scratched": Mirror([Half(scratched()), Half(other())], SIZE, "m"),
    "mirror, stale half": stale_mirror(),
    "mirror, only a stale half": Mirror([Half(scratched(), older=SpanSet([Span(0, SIZE)]))], SIZE, "m"),
    "mirror, short half": Mirror([Half(healthy("1", SIZE - 5000)), Half(other())], SIZE, "m"),
    "mirror of three": Mirror([Half(scratched()), Half(other()), Half(healthy("3"))], SIZE, "m"),
    "mirror of marked": Mirror([Half(marked()), Half(other(), older=SpanSet([Span(0, SIZE)]))], SIZE, "m"),
    "stripe": Stripe([healthy(), healthy("2")], raid0_zones((SIZE, SIZE), CHUNK), "s"),
    "stripe, scratched": Stripe([scratched(), other()], raid0_zones((SIZE, SIZE), CHUNK), "s"),
    "stripe, a member missing": Stripe(
        [scratched(), MissingMember(SIZE, 512, "slot 1")], raid0_zones((SIZE, SIZE), CHUNK), "s"
    ),
    "stripe of unequal members": Stripe(
        [scratched(), other("2", 14 * CHUNK), healthy("3", 17 * CHUNK)],
        raid0_zones((SIZE, 14 * CHUNK, 17 * CHUNK + 900), CHUNK, Raid0Layout.ALTERNATE),
        "s",
    ),
    "stripe with marks": Stripe([marked(), other()], raid0_zones((SIZE, SIZE), CHUNK), "s"),
    "span": Stripe([scratched(), other()], linear_zones((SIZE, SIZE), 4096), "l"),
    "swapped": Swapped(scratched(), CHUNK),
    "swapped with marks": Swapped(marked(), CHUNK),
    "stripe of mirrors": Stripe([stale_mirror(), healthy("3")], raid0_zones((SIZE, SIZE), CHUNK), "s"),
    "mirror of far copies": Mirror(
        [
            Half(copy_on(0, scratched(), SIZE, CHUNK, FAR_2, "f")),
            Half(copy_on(1, other(), SIZE, CHUNK, FAR_2, "f")),
        ],
        SIZE,
        "m",
    ),
    "near copy": copy_on(1, scratched(), SIZE, CHUNK, NEAR_2, "n"),
    "offset copy": copy_on(1, other(), SIZE, CHUNK, OFFSET_2, "o"),
}


@pytest.mark.parametrize("name", SOURCES)
def test_source_holds_to_the_contract(name: str) -> None:
    check_source(SOURCES[name])


def test_assembled_volume_holds_to_the_contract() -> None:
    fresh = superblock(0, bitmap_at=8192)
    stale = superblock(1, bitmap_at=8192, events=4700, recovery_bytes=1_900_544)
    bitmap = bitmap_for(fresh, SpanSet([Span(0, 400_000)]), events_cleared=4600)
    data = numbered(fresh.component_bytes)
    at = (1 << 20) + (1 << 20)
    gaps = {Lack.REFUSED: SpanSet([Span(at, at + 8192), Span(at + 390_000 // 512 * 512, at + 450_560)])}
    volume = assemble(
        {
            "1": drive([member_bytes(fresh, data, bitmap=bitmap)], "1", gaps),
            "2": drive([member_bytes(stale, data)], "2"),
        }
    ).volume
    check_source(volume)


def test_the_suite_notices_a_source_that_calls_missing_bytes_zero() -> None:
    """The suite can fail: a source that hides one gap of its reading is caught."""

    class Liar(MemorySource):
        def outlook(self, span: Span) -> object:  # type: ignore[override]
            seen = super().outlook(span)
            return type(seen)(seen.gaps[1:], seen.marks)

    with pytest.raises(AssertionError, match="traced"):
        check_source(Liar(numbered(SIZE), SCRATCH))

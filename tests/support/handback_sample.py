"""The facts of an invented hand-back: a pottery studio's two-bay box, one board burnt, one half behind."""

from __future__ import annotations

import hashlib
from dataclasses import replace

import numpy as np

from mendbay.core.coverage import Coverage
from mendbay.core.source import Gap, Lack
from mendbay.core.span import Span, SpanSet
from mendbay.handback.facts import (
    BayFacts,
    FileFacts,
    FileSystemFacts,
    HandBack,
    LeftOut,
    LinkFacts,
    PairFacts,
    ProofStep,
    RunFacts,
    TraceFacts,
)

DRIVE_BYTES = 2_000_398_934_016
MARCH = 1_772_350_000
NOVEMBER = 1_794_000_000


def _digests(text: str) -> tuple[str, str]:
    return hashlib.sha256(text.encode()).hexdigest(), hashlib.sha512(text.encode()).hexdigest()


def a_file(path: str, size_bytes: int, verdict: str = "whole", /, **more: object) -> FileFacts:
    """A file at `path` below `data/`, with made-up digests, found in bay 1."""
    sha256, sha512 = _digests(path)
    made = FileFacts(
        f"data/{path}",
        path.encode(),
        size_bytes,
        verdict,
        sha256=sha256,
        sha512=sha512,
        verified=True,
        modified_at=MARCH,
        changed_at=MARCH + 40,
        trace=(TraceFacts(Span(0, size_bytes), "bay 1", 812_646_400, 2, "direct cable, port 3"),),
    )
    return replace(made, **more)  # type: ignore[arg-type]


def bays() -> tuple[BayFacts, BayFacts]:
    """Bay 1 read to the end, bay 2 scratched."""
    whole = Coverage(DRIVE_BYTES, 512, SpanSet([Span(0, DRIVE_BYTES)]))
    scratch = 1_204_224 * 512
    refused = np.arange(scratch, scratch + 61 * 512, 512, dtype=np.int64)
    unread = SpanSet([Span(1_640_000_000_000, 1_702_000_000_000)])
    waived = SpanSet([Span(1_800_000_000_000, DRIVE_BYTES)])
    read = SpanSet([Span(0, DRIVE_BYTES)]) - unread - waived - SpanSet.from_bounds(refused, refused + 512)
    behind = Coverage(DRIVE_BYTES, 512, read, refused, np.full(refused.size, 3, np.int64), waived)
    first = BayFacts(
        "bay 1",
        "AL20-HX4",
        "AL7K2200418",
        whole,
        (
            RunFacts(
                1,
                "the box itself",
                "2026-11-17T09:12:00Z",
                "2026-11-17T09:13:10Z",
                0,
                3,
                "the drive did not spin up: board burnt",
            ),
            RunFacts(
                2,
                "direct cable, port 3",
                "2026-11-19T08:02:00Z",
                "2026-11-19T14:40:21Z",
                DRIVE_BYTES,
                0,
                "with the donor board",
            ),
        ),
        hashlib.sha256(b"bay 1").hexdigest(),
        wanted=SpanSet([Span(812_646_400, 9_812_646_400), Span(400_000_000_000, 431_000_000_000)]),
        remarks=("The circuit board was replaced; the board's own memory was moved to the new one.",),
    )
    second = BayFacts(
        "bay 2",
        "AL20-HX4",
        "AL7K2200731",
        behind,
        (
            RunFacts(
                1,
                "direct cable, port 4",
                "2026-11-20T07:31:00Z",
                "2026-11-20T16:02:45Z",
                int(read.total_bytes),
                183,
            ),
        ),
        other_half=SpanSet([Span(420_000_000_000, 424_000_000_000)]),
        older=SpanSet([Span(424_000_000_000, 426_000_000_000)]),
        wanted=SpanSet([Span(812_646_400, 9_812_646_400)]),
        remarks=("A scratched region near the outer edge refuses to be read.",),
    )
    return first, second


def files(ordinary: int = 40) -> tuple[FileFacts, ...]:
    """Two wished-for folders with everything that can befall a file, and `ordinary` whole files besides."""
    odd = b"Glaze photographs/T\xe9st tile 14.jpg"
    table = (
        a_file("Kiln log/kiln-log-2026.xlsx", 1_240_224),
        a_file(
            "Kiln log/kiln-log-2025.xlsx",
            1_198_080,
            "unproven",
            older=SpanSet([Span(65_536, 81_920)]),
            other_half=SpanSet([Span(65_536, 81_920)]),
            reasons=("16384 bytes come from the half that fell behind and may be older",),
            trace=(
                TraceFacts(Span(0, 65_536), "bay 1", 912_646_400, 2, "direct cable, port 3"),
                TraceFacts(
                    Span(65_536, 81_920), "bay 2", 912_711_936, 1, "direct cable, port 4", "possibly older"
                ),
                TraceFacts(Span(81_920, 1_198_080), "bay 1", 912_728_320, 2, "direct cable, port 3"),
            ),
        ),
        a_file(
            "Glaze photographs/celadon-test-07.jpg",
            6_815_744,
            "holed",
            gaps=(
                Gap(Span(1_048_576, 1_052_672), Lack.REFUSED),
                Gap(Span(2_097_152, 2_129_920), Lack.UNREAD),
            ),
            reasons=("the sectors lie in the scratched region of the drive in bay 2",),
        ),
        a_file(
            "Glaze photographs/tenmoku-vase.jpg",
            5_242_880,
            "lost",
            gaps=(Gap(Span(0, 5_242_880), Lack.REFUSED),),
            path="",
            sha256="",
            sha512="",
            verified=False,
            trace=(),
        ),
        replace(
            a_file("Glaze photographs/Test tile 14.jpg", 4_812_345),
            path="data/Glaze photographs/T=E9st tile 14.jpg",
            raw_path=odd,
        ),
        a_file("Glaze photographs/Глазурь – проба.jpg", 3_912_345),
        a_file("Glaze photographs/青磁 試験.jpg", 3_412_345),
        a_file("Glaze photographs/<script>alert(1)<script> & co.txt", 812),
        a_file(
            "Orders/2024/autumn.csv",
            18_432,
            other_half=SpanSet([Span(0, 18_432)]),
            reasons=("18432 bytes come from the other half of the mirror",),
        ),
        a_file("Orders/empty.txt", 0),
    )
    return table + tuple(
        a_file(f"Workshop/{2015 + at % 11}/firing-{at:05d}.csv", 20_000 + at * 37 % 90_000)
        for at in range(ordinary)
    )


def sample(ordinary: int = 40) -> HandBack:
    """The whole of it."""
    count = len(files(ordinary))
    return HandBack(
        case_number="0042",
        customer="Maren Holt, Clayhouse pottery studio",
        shop="Harbour Lane Repairs",
        made_at="2026-11-25T07:10:00Z",
        taken_in_at="2026-11-16T15:20:00Z",
        box="Tarn two-bay box, came with its power brick",
        drives="two Alder AL20-HX4 drives, 2.00 TB each",
        bays=bays(),
        files=files(ordinary),
        wanted=("Kiln log/**", "Glaze photographs/**"),
        pair=PairFacts(
            "mirror",
            "bay 1",
            (
                "Both drives carry the description of the same mirror.",
                "Bay 1 counts 48 212 changes, bay 2 stopped at 45 977 on 30 October 2026.",
            ),
        ),
        file_system=FileSystemFacts(
            "ext4",
            "studio",
            "7b1c8a52-53d1-4f0e-9a6b-0d2f7e5c1a44",
            1_998_000_000_000,
            True,
            ("The journal was not empty: 14 changes in it were taken into account.",),
        ),
        links=(LinkFacts(b"Orders/latest", b"2024/autumn.csv"),),
        left_out=(
            LeftOut(b".Trash/old.tmp", "file", "It lies in the waste folder, which was not asked for."),
            LeftOut(b"run/box.sock", "socket", "It holds no data of yours; it only served the box itself."),
        ),
        proof=(
            ProofStep("Both drives were only ever read, never written to.", "Opened read-only."),
            ProofStep(
                "The file system's own checksums were compared on the way to every file.",
                f"They held for all {count} files.",
            ),
            ProofStep(
                "Every copy was read back from the destination medium and compared by two checksums.",
                f"All {count - 1} copies were equal.",
            ),
        ),
        advice=(
            "Do not put the old drives back to use, in the box or anywhere else.",
            "Open the files listed under “What needs your attention” and check them first.",
            "Make a second copy of this folder today; one copy is no copy.",
        ),
        keep_until="2027-02-25",
    )

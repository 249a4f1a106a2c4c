"""A vote in sentences."""

from __future__ import annotations

from mendbay.board.rom_vote import SURE, BitList, Vote

MOST_PLACES = 12


def agreement_words(vote: Vote) -> list[str]:
    """What it means that all reads are the same."""
    if vote.reads == 1:
        return ["One read alone shows nothing of its errors"]
    limit = 3 / (8 * len(vote.data) * vote.reads)  # rule of three: no event in n trials, at 95 %
    return [
        f"{vote.reads} reads agree in every bit: fewer than about {limit:.1g} errors a bit, if errors are "
        "independent",
        "An error that is the same in every read cannot be seen by comparing them; only structure, a "
        "reference or self-checks can show it",
    ]


def vote_words(vote: Vote) -> list[str]:
    """What the disagreements and their vote come to."""
    if vote.reads == 2:
        return [
            f"Two reads differ in {vote.disagreeing} bits: a third read must tell which is right",
            places_words(vote.bits),
        ]
    narrow, decided = vote.bits.narrow(), vote.disagreeing - vote.undecided
    said = [
        f"Of {vote.disagreeing} bits in dispute {decided} were decided by majority, "
        f"{vote.undecided} are undecided; about {_count(vote.expected_wrong)} wrong bits are left, and all "
        f"are right with probability {_sure(vote)}, if errors of different reads are independent",
    ]
    if len(narrow):
        said.append(f"Decided by one vote or not at all: {places_words(narrow)}")
    if vote.reads == 3:
        said.append(
            "A cell that reads unsteadily looks like noise in three reads, and may be wrong in two of them: "
            "five reads tell them apart"
        )
    said.append("An error that is the same in every read cannot be seen by voting")
    return said


def _count(value: float) -> str:
    return f"{value:.0f}" if value >= 10 else f"{value:.2g}"


def _sure(vote: Vote) -> str:
    chance = vote.exact_probability
    if chance >= SURE:
        return f"1 - {1 - chance:.1g}"
    return f"{chance:.2g}"


def places_words(bits: BitList) -> str:
    """The places: one by one if few, else as ranges, else their number and extent."""
    if not len(bits):
        return "none"
    more = "" if bits.listed_all else " at least"
    if len(bits) <= MOST_PLACES:
        return ", ".join(
            f"0x{offset:06X} bit {lane} ({ones} of {bits.reads} say 1)"
            for offset, lane, ones in zip(
                bits.offsets.tolist(), bits.lanes.tolist(), bits.ones.tolist(), strict=True
            )
        )
    runs = bits.runs()
    if len(runs) <= MOST_PLACES:
        return ", ".join(f"{run.bits} bits in 0x{run.start:06X} to 0x{run.stop - 1:06X}" for run in runs)
    first, last = int(bits.offsets[0]), int(bits.offsets[-1])
    return f"{more} {len(bits)} bits in {len(runs)} places from 0x{first:06X} to 0x{last:06X}".strip()

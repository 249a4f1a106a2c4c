"""Say how the drives of a case belong together, from what has been read of them."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import replace

from mendbay.files.readers.ext import open_ext
from mendbay.files.tree import VolumeFacts
from mendbay.jobs.bench import Bench
from mendbay.jobs.volume import candidates_on, case_images, left_out, sources_of
from mendbay.pair.assemble import Assembled


def look_at_pair(
    bench: Bench, number: int, bays: Sequence[str] = ()
) -> tuple[tuple[Assembled, ...], VolumeFacts | None]:
    """The volumes on the drives, the one with a file system first, and what that file system says.

    Raises:
        NoSuchCase: the case has no image yet.
        CannotAssemble: the drives make no volume.
    """
    case = bench.ledger.case(number)
    with case_images(bench, case, bays) as stores:
        drives = sources_of(stores)
        candidates = candidates_on(drives)
        for at, one in enumerate(candidates):
            system = open_ext(one.volume)
            if system is not None:
                chosen = replace(one, remarks=one.remarks + left_out(drives, one))
                return (chosen, *candidates[:at], *candidates[at + 1 :]), system.facts
        return candidates, None

"""Two drives without superblocks that hold one and the same file system: a mirror all the same.

Copies of a pair made elsewhere, and boxes that mirror without writing superblocks, leave two volumes of
one size whose file systems bear the same UUID. Without event counts the file system itself has to say
whether the halves are in step: if its descriptions (inode tables, folders, journal) are the same on both
as far as both were read, no file changed on one alone, since every change of a file moves a time in its
inode. Otherwise the one written last is taken as the fresher, and nothing of the other is proven current
but by the times of files.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass, replace

from mendbay.core.clock import iso_from_epoch
from mendbay.core.quantity import count_text
from mendbay.core.source import Source
from mendbay.core.span import Span, SpanSet
from mendbay.files.readers.ext import open_ext
from mendbay.files.tree import FileSystem
from mendbay.pair.assemble import Assembled, Member
from mendbay.pair.compare import compare_halves
from mendbay.pair.mirror import Half, Mirror
from mendbay.pair.standing import Standing
from mendbay.pair.volume import Level


@dataclass(frozen=True, slots=True)
class _Twin:
    member: Member
    source: Source
    system: FileSystem


def twins_as_mirror(candidates: Sequence[Assembled]) -> Assembled | None:
    """The mirror that two of the single volumes make, or None if no two hold the same file system.

    Args:
        candidates: the volumes on the drives, the largest first.
    """
    seen: dict[tuple[str, int], _Twin] = {}
    for one in candidates:
        if one.level is not Level.SINGLE or len(one.members) != 1:
            continue
        system = open_ext(one.volume)
        if system is None or not system.facts.uuid.strip("0-"):
            continue
        twin = _Twin(one.members[0], one.volume, system)
        first = seen.setdefault((system.facts.uuid, system.facts.size_bytes), twin)
        if first.member.bay != twin.member.bay:
            return _mirror(first, twin)
    return None


def _mirror(one: _Twin, other: _Twin) -> Assembled:
    fresh, behind = (one, other) if _written(one) >= _written(other) else (other, one)
    size = max(fresh.source.size_bytes, behind.source.size_bytes)
    compared = compare_halves(fresh.source, behind.source, fresh.system.metadata())
    differing, equal = compared.differing.total_bytes, compared.equal.total_bytes
    in_step = not differing and equal > 0
    older = SpanSet() if in_step else SpanSet([Span(0, size)])
    name = fresh.system.facts.label or fresh.system.facts.uuid
    standing = Standing.IN_STEP if in_step else Standing.BEHIND
    return Assembled(
        volume=Mirror([Half(fresh.source), Half(behind.source, older)], size, name),
        level=Level.MIRROR,
        members=(fresh.member, replace(behind.member, standing=standing)),
        name=name,
        freshness=_why(fresh, behind, differing, equal),
        parted_at=None if in_step else _written(behind) or None,
        remarks=(
            "There are no superblocks; the drives are taken for a mirror because both hold the file "
            f"system {fresh.system.facts.uuid}.",
        ),
        halves=(fresh.source, behind.source),
    )


def _written(twin: _Twin) -> int:
    return twin.system.facts.last_written_at


def _why(fresh: _Twin, behind: _Twin, differing: int, equal: int) -> tuple[str, ...]:
    bays = f"Bay {fresh.member.bay} and bay {behind.member.bay}"
    if not differing and equal:
        return (
            f"{bays} are in step: {count_text(equal)} bytes that describe files were compared and are equal.",
        )
    if not equal and not differing:
        return (f"{bays} could not be compared: what describes the files is not readable on both.",)
    if _written(fresh) == _written(behind):
        return (
            f"{bays} differ in {count_text(differing)} bytes that describe files, and nothing says which is "
            f"fresher; bay {fresh.member.bay} is preferred.",
        )
    times = [iso_from_epoch(_written(one)) or "at an unknown time" for one in (fresh, behind)]
    return (
        f"Bay {fresh.member.bay} is fresher: its file system was last written {times[0]}, that of bay "
        f"{behind.member.bay} {times[1]}.",
    )

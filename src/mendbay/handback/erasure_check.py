"""What must hold before a file may be erased, and the plan that has passed it.

`clear` is the only way to a `ClearedPlan`, and the eraser touches nothing without one. It refuses with all
its reasons at once.
"""

from __future__ import annotations

from collections.abc import Iterable, Iterator, Mapping
from dataclasses import dataclass, field, replace
from weakref import WeakSet

from mendbay.core.errors import ErasureRefused
from mendbay.core.quantity import counted
from mendbay.handback.erasure import ErasurePlan, PlannedFile, PlannedRoot, Sort, sort_of
from mendbay.handback.keeping import is_over

_SEAL = object()
MOST_TOLD = 12
NEVER_THE_DRIVE = "A customer's own drive is never erased, only copies that the shop made."


@dataclass(frozen=True, slots=True)
class Seen:
    """What lies at a place now.

    Args:
        root, path: as in a plan.
        kind: `file`, `link`, `folder`, `block device`, `character device`, `pipe`, `socket`, or empty if
            nothing is there.
        links: how many names the file has.
        uses: what uses it now, as the ends of sentences.
        is_source: a drive was read from this very file, in whatever case.
        digest: empty unless it was taken.
    """

    root: str
    path: str
    kind: str
    size_bytes: int = 0
    stored_bytes: int = 0
    device: int = 0
    inode: int = 0
    modified_ns: int = 0
    changed_ns: int = 0
    links: int = 1
    uses: tuple[str, ...] = ()
    is_source: bool = False
    digest: str = ""

    @property
    def place(self) -> tuple[str, str]:
        """Folder and path."""
        return self.root, self.path


@dataclass(frozen=True, slots=True)
class Situation:
    """What a plan is held against.

    Args:
        today: the day, `2026-12-24`.
        keep_until: of the case, now.
        shop_device: of the file system that holds the cases.
        roots: the folders by their name, as they are now.
        seen: every planned file, as it is now.
        begun: places of files on which the erasure of this very plan was begun: their content may be gone.
    """

    today: str
    keep_until: str
    shop_device: int
    roots: Mapping[str, PlannedRoot]
    seen: Mapping[tuple[str, str], Seen]
    begun: frozenset[tuple[str, str]] = frozenset()


@dataclass(frozen=True, slots=True, eq=False, weakref_slot=True)
class ClearedPlan:
    """A plan that `clear` has found good; nothing else can make one.

    Raises:
        TypeError: built by anything but `clear`.
    """

    plan: ErasurePlan
    seal: object = field(repr=False)

    def __post_init__(self) -> None:
        if self.seal is not _SEAL:
            raise TypeError("a ClearedPlan is made by clear() alone")


_GENUINE: WeakSet[ClearedPlan] = WeakSet()


def require_cleared(plan: object) -> ErasurePlan:
    """The plan inside, if `clear` has made this very object: neither a plan on paper nor a copy passes.

    Raises:
        ErasureRefused: it is anything else.
    """
    if not isinstance(plan, ClearedPlan) or plan not in _GENUINE:
        raise ErasureRefused("Nothing may be erased: the plan was not checked.", "Check it first.")
    return plan.plan


def clear(plan: ErasurePlan, now: Situation) -> ClearedPlan:
    """Holds a plan against what is there.

    Raises:
        ErasureRefused: anything speaks against it; the message lists the reasons.
    """
    require_no_reasons(list(refusals(plan, now)))
    made = ClearedPlan(plan, _SEAL)
    _GENUINE.add(made)
    return made


def require_no_reasons(reasons: list[str]) -> None:
    """
    Raises:
        ErasureRefused: there are any.
    """
    if reasons:
        more = f" And {counted(len(reasons) - MOST_TOLD, 'more reason')}." if len(reasons) > MOST_TOLD else ""
        raise ErasureRefused(
            f"The erasure is refused for {counted(len(reasons), 'reason')}: "
            f"{' '.join(reasons[:MOST_TOLD])}{more} {NEVER_THE_DRIVE}",
            "Nothing was touched. Put right what is named, then plan anew: mendbay case erase-plan.",
        )


def refusals(plan: ErasurePlan, now: Situation) -> Iterator[str]:
    """Every reason against a plan, as sentences."""
    yield from against_time(now.keep_until, now.today, plan.reason)
    if not plan.proof.holds or (not_elsewhere(plan) and not replace(plan.proof, elsewhere=False).holds):
        yield (
            "Nothing says that the customer has the files: no hand-back on another medium was checked, no "
            "medium was handed over, nobody said why that does not matter."
        )
    if not plan.files:
        yield "It names no file."
    known = {one.root: one for one in plan.roots}
    for one in plan.roots:
        places = {(file.root, file.path) for file in plan.files if file.root == one.root}
        if one.root in now.roots or not places <= now.begun:  # an emptied folder is gone already
            yield from _against_root(one, now)
    if len({(one.root, one.path) for one in plan.files}) != len(plan.files):
        yield "It names a file twice."
    for file in plan.files:
        if file.root not in known:
            yield f"{file.path} lies in a folder that the plan does not name."
        elif (file.root, file.path) not in now.begun:
            yield from against_file(file, now.seen.get((file.root, file.path)), now)


def not_elsewhere(plan: ErasurePlan) -> bool:
    """Whether the hand-back that was checked is among what the plan erases: then it proves nothing."""
    return bool(plan.proof.folder) and plan.proof.folder in {one.root for one in plan.roots}


def against_time(keep_until: str, today: str, reason: str) -> Iterator[str]:
    """Why copies may not go yet: until the day put down is over a reason is needed."""
    if reason.strip() or is_over(keep_until, today):
        return
    if keep_until:
        yield f"They are kept until {keep_until}, and no reason is given why they go before."
    else:
        yield "No day is put down until which they are kept, and no reason is given why they go."


def _against_root(one: PlannedRoot, now: Situation) -> Iterator[str]:
    called = one.root or "the case's folder"
    found = now.roots.get(one.root)
    if found is None:
        yield f"{called} is not there."
    elif found.inode != one.inode or (found.device != one.device and found.system != one.system):
        yield f"{called} is not the folder that was planned."
    elif one.root and found.device != now.shop_device:
        yield f"{called} lies on another medium than the cases, which may be the customer's own."


def against_kind(found: Seen, device: int) -> Iterator[str]:
    """Why what lies at a place is nothing that is ever erased.

    Args:
        device: of the file system that its folder lies on.
    """
    if found.kind != "file":
        yield f"{found.path} is a {found.kind}, no plain file."
        return
    if found.links != 1:
        yield f"{found.path} has {found.links} names: other places would lose it too."
    if found.device != device:
        yield f"{found.path} lies on another file system than its folder."
    if found.is_source:
        yield f"{found.path} is what a drive of a case was read from."
    yield from (f"{found.path} is in use: {use}." for use in found.uses)


def against_file(file: PlannedFile, found: Seen | None, now: Situation) -> Iterator[str]:
    """Why a planned file may not be erased as it is now."""
    sort = Sort.HAND_BACK if file.root else sort_of(file.path)
    if not is_inside(file.path):
        yield f"{file.path!r:.80} leads out of its folder."
        return
    if sort is not file.sort:
        yield f"{file.path} is nothing that is erased as {file.sort}."
    if found is None or not found.kind:
        yield f"{file.path} is not there."
        return
    yield from against_kind(found, now.roots[file.root].device if file.root in now.roots else -1)
    if found.kind == "file" and not _is_same(file, found):
        yield f"{file.path} was changed or replaced since the plan was made."


def _is_same(file: PlannedFile, found: Seen) -> bool:
    same = (file.inode, file.size_bytes, file.modified_ns, file.changed_ns) == (
        found.inode,
        found.size_bytes,
        found.modified_ns,
        found.changed_ns,
    )
    return same and (not found.digest or found.digest == file.digest)


def is_inside(path: str) -> bool:
    """Whether a path leads to something below its folder."""
    return "\0" not in path and all(part not in ("", ".", "..") for part in path.split("/"))


def offered(
    found: Iterable[Seen], sorts: Iterable[Sort], device: int
) -> tuple[list[tuple[Sort, Seen]], list[str]]:
    """Of what lies in the folders, what is of the sorts asked for, and all reasons why some of it may not go.

    Args:
        device: of the file system that the cases lie on.
    """
    wanted = set(sorts)
    chosen: list[tuple[Sort, Seen]] = []
    reasons: list[str] = []
    for one in found:
        sort = Sort.HAND_BACK if one.root else sort_of(one.path)
        if sort is not None and sort in wanted:
            reasons += against_kind(one, device)
            chosen.append((sort, one))
    return chosen, reasons

"""Which member of a set is the freshest, and where each of the others stands against it.

Rules: Linux kernel 6.1, drivers/md/md.c (super_1_validate, super_90_validate) and md-bitmap.c.
"""

from __future__ import annotations

from collections.abc import Callable, Sequence
from dataclasses import dataclass
from enum import StrEnum

from mendbay.core.clock import iso_from_epoch
from mendbay.pair.discover import Place
from mendbay.pair.md import ROLE_FAULTY, ROLE_LIMIT, ROLE_SPARE, Superblock

ALLOWED_LAG = 1
"""A member may be this many events behind and still count: the last update may have reached only one."""


class Standing(StrEnum):
    """How far a member can be relied on."""

    IN_STEP = "in step"
    REBUILDING = "being rebuilt"
    """In step, but only as far as it had been filled."""
    BEHIND = "behind"
    """The set went on without it."""
    DAMAGED = "damaged"
    """Its superblock fails its checksum, so that its event count proves nothing."""
    UNUSED = "unused"
    """A spare or a journal: it holds no copy of the data."""


MAY_BE_OLDER = (Standing.BEHIND, Standing.DAMAGED)


@dataclass(frozen=True, slots=True)
class Ranked:
    """A member with its standing and the slot of the set it fills (None if unused)."""

    place: Place
    superblock: Superblock
    standing: Standing
    slot: int | None


@dataclass(frozen=True, slots=True)
class Ranking:
    """The members of one set, most reliable first.

    `parted_at` is when the first member that fell behind did, in seconds since 1970: the time of its last
    update. It is None if none did, and also if that time proves nothing: if a member that fell behind
    went on being used alone, or its superblock is damaged.
    """

    members: tuple[Ranked, ...]
    freshest: Superblock
    went_own_ways: bool
    parted_at: int | None


def rank(places: Sequence[Place]) -> Ranking:
    """Ranks the members of one set; equal ones keep their order.

    The freshest is the one with the most events among those that hold a slot by their own account and
    whose superblock is sound. Another is in step if it is at most one event behind and the freshest
    lists it in a slot: a member that failed is also just one event behind, but listed as failed.

    Raises:
        ValueError: no places, or one without a superblock.
    """
    members = [(place, place.superblock) for place in places if place.superblock is not None]
    if not members or len(members) < len(places):
        raise ValueError("every place must have a superblock")
    freshest = max((one for _, one in members), key=_freshness)
    ranked = [_ranked(place, one, freshest) for place, one in members]
    order = list(Standing)
    ranked.sort(key=lambda one: (order.index(one.standing), [-part for part in _freshness(one.superblock)]))
    behind = [one for one in ranked if one.standing in MAY_BE_OLDER]
    own_ways = any(_went_on_alone(one.superblock, freshest) for one in behind)
    damaged = any(one.standing is Standing.DAMAGED for one in behind)
    times = [one.superblock.updated_at for one in behind]
    proves = bool(times) and not own_ways and not damaged and min(times) > 0
    return Ranking(tuple(ranked), freshest, own_ways, min(times) if proves else None)


def _freshness(one: Superblock) -> tuple[int, int, int, int]:
    return (int(one.is_sound), int(one.role < ROLE_LIMIT), one.events, one.updated_at)


def _ranked(place: Place, one: Superblock, freshest: Superblock) -> Ranked:
    listed = freshest.role_of(one.device_number)
    slot = listed if listed < ROLE_LIMIT else one.role if one.role < ROLE_LIMIT else None
    if one is not freshest and not one.is_sound:
        return Ranked(place, one, Standing.DAMAGED, slot)
    failed = one.role == ROLE_FAULTY
    if slot is None and not failed:
        return Ranked(place, one, Standing.UNUSED, None)
    in_step = listed < ROLE_LIMIT and one.events + ALLOWED_LAG >= freshest.events
    if one is not freshest and not in_step:
        return Ranked(place, one, Standing.BEHIND, slot)
    standing = Standing.REBUILDING if one.recovery_bytes is not None else Standing.IN_STEP
    return Ranked(place, one, standing, slot)


def _went_on_alone(one: Superblock, freshest: Superblock) -> bool:
    """Whether a member that is behind had itself dropped the freshest: then both were used alone."""
    other = one.role_of(freshest.device_number)
    return one.device_number != freshest.device_number and one.role < ROLE_LIMIT <= other


def explain(ranking: Ranking) -> tuple[str, ...]:
    """Who is fresher and why, in plain sentences."""
    name = _namer(ranking.members)
    used = [one for one in ranking.members if one.standing is not Standing.UNUSED]
    in_step = [one for one in used if one.standing in (Standing.IN_STEP, Standing.REBUILDING)]
    said = [_in_step_sentence(in_step, name)] if len(in_step) > 1 else []
    for one in used:
        if one.standing is Standing.REBUILDING and one.superblock.recovery_bytes is not None:
            filled = number(one.superblock.recovery_bytes)
            said.append(f"{_capital(name(one))} was being rebuilt: only its first {filled} bytes are good")
        elif one.standing is Standing.DAMAGED:
            said.append(
                f"The superblock of {name(one)} fails its checksum: its event count proves nothing, so it is "
                "taken for older"
            )
        elif one.standing is Standing.BEHIND:
            said.append(_behind_sentence(used[0], one, ranking.freshest, name))
    said.extend(
        f"{_capital(name(one))} is a spare or a journal of the set and holds no copy of the data"
        for one in ranking.members
        if one.standing is Standing.UNUSED
    )
    if ranking.went_own_ways:
        said.append(
            "Both sides went on being used without the other: either may hold data that the other never had"
        )
    return tuple(said)


def _namer(members: Sequence[Ranked]) -> Callable[[Ranked], str]:
    """Members are named by their bay alone unless two of them share one."""
    bays = [one.place.bay for one in members]
    if len(set(bays)) == len(bays):
        return lambda one: f"bay {one.place.bay}"
    return lambda one: one.place.label


def _in_step_sentence(members: Sequence[Ranked], name: Callable[[Ranked], str]) -> str:
    names = " and ".join(name(one) for one in members)
    counts = sorted({one.superblock.events for one in members}, reverse=True)
    if len(counts) == 1:
        return f"{_capital(names)} are in step: {number(counts[0])} events each"
    return (
        f"{_capital(names)} are in step: {number(counts[0])} events against {number(counts[-1])}, and one "
        "behind counts as in step"
    )


def _behind_sentence(first: Ranked, one: Ranked, freshest: Superblock, name: Callable[[Ranked], str]) -> str:
    ahead, events = freshest.events, one.superblock.events
    when = iso_from_epoch(one.superblock.updated_at)
    last = f"{name(one)} was last updated {when}" if when else f"{name(one)} has no time of update"
    fresher = f"{_capital(name(first))} is fresher"
    if ahead - events > ALLOWED_LAG:
        return f"{fresher}: {number(ahead)} events against {number(events)}; {last}"
    how = "as a spare" if freshest.role_of(one.superblock.device_number) == ROLE_SPARE else "as failed"
    return (
        f"{fresher}: with {number(ahead)} events against {number(events)} it lists {name(one)} {how}; {last}"
    )


def number(value: int) -> str:
    """A number with its thousands set apart: 4 812."""
    return f"{value:,}".replace(",", " ")


def _capital(text: str) -> str:
    return text[:1].upper() + text[1:]

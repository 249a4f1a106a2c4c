"""What says that the files of a case reached the customer: copies checked, and media handed over."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass
from pathlib import Path

from mendbay.case.hand_over import Direction, HandOver, Role
from mendbay.case.items import Item, What, Where
from mendbay.case.records import Case, CaseState
from mendbay.core.errors import CaseForgotten, DestinationError, NoSuchCase
from mendbay.handback.bag import BagCheck
from mendbay.jobs.bench import Bench
from mendbay.jobs.erasure_port import BagTold, Copies
from mendbay.jobs.hand_over_items import hand_overs_of
from mendbay.jobs.keep_copies import HAND_BACK
from mendbay.jobs.keep_items import items_of
from mendbay.jobs.remembered import remembered

COPY_CHECKED = "hand-back-checked"
"""Kind of the event that tells of a copy of a hand-back that was checked on another medium than the cases;
its fact `manifest_sha256` says of which."""


@dataclass(frozen=True, slots=True)
class Checked:
    """A hand-back folder that was checked.

    Args:
        case: the case whose story has the check now; 0 if none has.
        why_not: why it is not on record, where somebody may have meant it to be; otherwise empty.
    """

    check: BagCheck
    case: int = 0
    why_not: str = ""


@dataclass(frozen=True, slots=True)
class Reached:
    """
    Args:
        words: what says that the customer has the hand-back, empty if nothing does.
        gone_out: a medium went to the customer since the hand-back.
        missing: what is missing, each with the command that mends it; empty if nothing is.
    """

    words: str = ""
    gone_out: bool = False
    missing: tuple[str, ...] = ()


@dataclass(frozen=True, slots=True)
class SinceHandBack:
    """How far the files of the last hand-back are on their way to the customer, as days. A hand-back alone is
    a copy in a folder, wherever that lies: nothing has left the shop by it.

    Args:
        made_on: of the last hand-back, empty if none is on record; what follows is empty then too.
        checked_on: of the last check of a copy of it on another medium than the cases.
        medium_on: since when a medium that went to the customer after it is with them.
        out: the last hand-over to the customer or a courier after it, of things that did not come back; one
            of a medium goes before others.
        earlier_on: of the last check of a copy of an earlier hand-back; it is none of the last one.
    """

    made_on: str = ""
    checked_on: str = ""
    medium_on: str = ""
    out: HandOver | None = None
    earlier_on: str = ""

    @property
    def has_left(self) -> bool:
        """Whether a medium left the shop: other things carry no files."""
        return self.out is not None and any(item.what is What.MEDIUM for item in self.out.items)


def since_hand_back(bench: Bench, number: int) -> SinceHandBack:
    """How far the files of the last hand-back of a case are on their way to the customer.

    Raises:
        NoSuchCase: there is no such case.
        CaseForgotten: it was forgotten.
        LedgerError: a note is not one that Mendbay wrote.
    """
    made = _made_at(bench, number)
    if not made:
        return SinceHandBack()
    checks = _checks(bench, number, manifest_on_record(bench, number))
    mediums = _media_out(bench, number)
    away: dict[int, tuple[bool, int, HandOver]] = {}
    for over in hand_overs_of(bench, number):
        if over.called_off:
            continue
        for item in over.items:
            away.pop(item.number, None)
            goes = over.direction is Direction.RELEASED and over.role in (Role.CUSTOMER, Role.COURIER)
            if goes and over.at >= made:
                away[item.number] = (item.what is What.MEDIUM, over.number, over)
    return SinceHandBack(
        made[:10],
        checks[-1][:10] if checks else "",
        max(over.at[:10] for _, over in mediums) if mediums else "",
        max(away.values(), key=lambda one: one[:2])[2] if away else None,
        _earlier_check(bench, number, checks),
    )


def stands_words(case: Case, since: SinceHandBack) -> str:
    """Where a case stands as a whole, in a few words: its state, but a hand-back of which nothing left the
    shop is told as the copy that it is."""
    if case.state is not CaseState.HANDED_BACK or not since.made_on:
        return str(case.state)
    if since.out is None:
        return "copied, nothing handed out"
    if not since.has_left:
        return "copied, no medium handed out"
    return str(case.state) if since.out.role is Role.CUSTOMER else f"copied, with the {since.out.role.words}"


def check_hand_back(bench: Bench, copies: Copies, folder: Path) -> Checked:
    """Checks a hand-back folder down to the last digest. One that lies on another medium than the cases and
    is a hand-back on record goes into the case's story and custody: that is how a copy made for the customer
    gets known. Its folder is not named there, as its name may be the customer's.

    Raises:
        BagInvalid: it is not complete or not valid; nothing is noted.
        DestinationError: it cannot be opened.
    """
    told = copies.check_bag(folder, bench.tell)
    told.check.require_valid()
    number = int(told.case) if told.case.isascii() and told.case.isdigit() and len(told.case) < 19 else 0
    why_not = _not_to_record(bench, copies, folder, told, number)
    if why_not is not None:
        return Checked(told.check, why_not=why_not)
    digest = told.manifest_sha256
    with bench.ledger.together():
        remembered(bench, number)
        bench.note(
            number,
            COPY_CHECKED,
            "A copy of the hand-back was checked on another medium: complete and unchanged.",
            {"manifest_sha256": digest},
        )
        bench.custody(
            number, "copy of the hand-back checked on another medium", f"manifest-sha256.txt {digest}"
        )
    return Checked(told.check, number)


def _not_to_record(bench: Bench, copies: Copies, folder: Path, told: BagTold, number: int) -> str | None:
    """Why a check is not put on record, empty if it is of no case here; None if it is to be."""
    try:
        case = remembered(bench, number)
        root = copies.root(case, str(folder.absolute()))
        here = root is None or root.device == copies.shop_device
    except (NoSuchCase, CaseForgotten, DestinationError):
        return ""
    known = _manifests(bench, number)
    if not known:
        return f"no hand-back of case {number} is on record"
    if "" not in known and told.manifest_sha256 not in known:
        return f"it is none of the hand-backs of case {number} that are on record"
    return "it lies on the same medium as the cases" if here else None


def _manifests(bench: Bench, number: int) -> tuple[str, ...]:
    """The digests of the hand-backs on record, the oldest first; empty text where none was kept."""
    made = (one.facts.get("manifest_sha256") for one in bench.ledger.events(number) if one.kind == HAND_BACK)
    return tuple(one if isinstance(one, str) else "" for one in made)


def manifest_on_record(bench: Bench, number: int) -> str:
    """SHA-256 of the list of files of the last hand-back; empty if there was none, or it was not kept."""
    return "".join(_manifests(bench, number)[-1:])


def reached(bench: Bench, number: int, manifest: str, *, spared: bool = False) -> Reached:
    """Whether the customer got a hand-back: a medium went to them since the last one, their name is under it,
    and a copy on another medium than the cases was checked between the hand-back and that hand-over. A copy
    checked later cannot be on the medium that had left. No medium has a number of its own that a check could
    be tied to, so which one was checked is not known, and not said. Without name and check a medium put down
    as handed over counts only where the shop's own copy stays (own choice).

    Args:
        manifest: SHA-256 of its list of files; empty if it is not known, and any checked copy counts.
        spared: the shop's own copy was checked and stays.
    """
    out, checks = _media_out(bench, number), _checks(bench, number, manifest)
    if not out:
        check = "check the copy on their medium while it is here (mendbay handback check FOLDER)"
        release = (
            f"put down that a medium went to the customer (mendbay case release {number} ITEM --to customer)"
        )
        return Reached(missing=(release,) if checks else (check, release))
    proven = [
        (item, over, before[-1])
        for item, over in out
        if over.signed and (before := [one for one in checks if one <= over.at])
    ]
    if proven:
        media = "; ".join(
            f"{_words(item, over)}, signed; a copy of it on another medium was checked before, on {at[:10]}"
            for item, over, at in proven
        )
        return Reached(media, True)
    missing = _missing(number, out, checks)
    if spared:
        media = "; ".join(_words(item, over) for item, over in out)
        return Reached(f"{media}; not signed or not checked, so the shop's own copy stays", True)
    return Reached(gone_out=True, missing=missing)


def _missing(number: int, out: Sequence[tuple[Item, HandOver]], checks: Sequence[str]) -> tuple[str, ...]:
    """What each medium that is out lacks, told of the last one that lacks least."""

    def lacks(over: HandOver) -> tuple[str, ...]:
        missing = []
        if not over.signed:
            keeps = f"mendbay case signed {number} {over.number} FILE keeps the paper"
            missing.append(f"hand-over {over.number} is not signed ({keeps})")
        if not any(one <= over.at for one in checks):
            later = f"; the check of {checks[-1][:10]} came after it" if checks else ""
            missing.append(
                "no copy of it on another medium was checked between the hand-back and hand-over "
                f"{over.number}{later} (once that medium is back: mendbay case receive, then mendbay "
                "handback check FOLDER, then mendbay case release)"
            )
        return tuple(missing)

    return min((lacks(over) for _, over in reversed(out)), key=len)


def _words(item: Item, over: HandOver) -> str:
    return f"{item.traceable}, hand-over {over.number} of {over.at[:10]}"


def _made_at(bench: Bench, number: int) -> str:
    """When the last hand-back was made; empty if there is none."""
    return "".join([one.at for one in bench.ledger.events(number) if one.kind == HAND_BACK][-1:])


def _checks(bench: Bench, number: int, manifest: str) -> list[str]:
    """When copies were checked since the last hand-back, the first check first."""
    made = _made_at(bench, number)
    return sorted(
        one.at
        for one in bench.ledger.events(number)
        if one.kind == COPY_CHECKED
        and made
        and one.at >= made
        and (not manifest or one.facts.get("manifest_sha256") == manifest)
    )


def _earlier_check(bench: Bench, number: int, checks: Sequence[str]) -> str:
    """The day of the last check of a copy of a hand-back before the last; empty if there was none."""
    every = [one.at for one in bench.ledger.events(number) if one.kind == COPY_CHECKED]
    return max((at[:10] for at in every if at not in checks), default="")


def _media_out(bench: Bench, number: int) -> list[tuple[Item, HandOver]]:
    """The media that went to the customer since the last hand-back and are there by what is noted of them,
    each with its hand-over."""
    made = _made_at(bench, number)
    now = {item.number: item for item in items_of(bench, number)}
    out: dict[int, tuple[Item, HandOver]] = {}
    for over in hand_overs_of(bench, number):
        if over.called_off:
            continue
        for item in over.items:
            out.pop(item.number, None)
            to_customer = over.direction is Direction.RELEASED and over.role is Role.CUSTOMER
            if to_customer and item.what is What.MEDIUM and made and over.at >= made:
                out[item.number] = (item, over)
    return [(item, over) for item, over in out.values() if _is_there(now.get(item.number))]


def _is_there(item: Item | None) -> bool:
    """Whether it is a medium with the customer: a move or a change may have put either right since."""
    return item is not None and item.what is What.MEDIUM and item.where is Where.CUSTOMER

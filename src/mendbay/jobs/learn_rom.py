"""Learn the rules of a board family from known-good dumps, and hold a patient's dump against them."""

from __future__ import annotations

import json
from collections.abc import Mapping, Sequence
from dataclasses import dataclass, replace
from hashlib import sha256
from pathlib import Path
from typing import Any

from mendbay.board.flash_id import size_text
from mendbay.board.rules.family import LARGEST_DUMP, MOST_BYTES, Family, self_checks
from mendbay.board.rules.judge import Comparison, DumpJudgement, compare, judge
from mendbay.board.rules.search import learn
from mendbay.board.transfer_plan import Role
from mendbay.core.errors import (
    BadFormFile,
    ChangedMeanwhile,
    DumpUnproven,
    Interrupted,
    LedgerError,
    UsageError,
)
from mendbay.core.note import Note, NoteKind
from mendbay.core.quantity import counted
from mendbay.jobs.ask_learning import require_good
from mendbay.jobs.bench import Bench
from mendbay.jobs.board_ports import ShopFiles
from mendbay.jobs.judge_rom import JudgedRom, LookedAtRom, judge_rom, judged_reads, look_at_reads
from mendbay.jobs.rom_reads import RomRead, contents, newest_sitting, whose
from mendbay.jobs.withdraw import reason_of, require_reason, withdraw

FAMILIES = "families"
DUMPS_LIMIT = 32
"""More dumps of one revision teach nothing further."""
SHORTEST_DIGEST = 8
"""Digits of a SHA-256 that name a dump."""


@dataclass(frozen=True, slots=True)
class CheckedRom:
    """A dump held against a family.

    Args:
        family: its name.
        dumps: known-good dumps the family's rules rest on.
        reads: what was checked: the newest sitting, voted on if its reads differ.
        judgement: which rules hold, and how likely the dump is sound.
        donor: how it compares with the donor's newest read; None if that was not read.
    """

    family: str
    dumps: int
    reads: tuple[RomRead, ...]
    judgement: DumpJudgement
    donor: Comparison | None


@dataclass(frozen=True, slots=True)
class GoodDump:
    """A dump that a family was learned from; `withdrawn` says why it is no longer taken for good.

    Args:
        name: its file name when it was learned; how its SHA-256 begins, if the ledger does not know it.
    """

    name: str
    sha256: str
    withdrawn: str = ""


@dataclass(frozen=True, slots=True)
class LearnedFamily:
    """A family of the shop.

    Args:
        name: what the shop calls it.
        family: its rules.
        dumps: what it was learned from; None if neither its file nor the ledger says.
        left_out: dumps that were given and left out, as they had been withdrawn.
        earlier: where the file of that name is now that it took the place of; None if there was no other.
    """

    name: str
    family: Family
    dumps: tuple[GoodDump, ...] | None
    left_out: tuple[GoodDump, ...] = ()
    earlier: Path | None = None

    @property
    def withdrawn(self) -> tuple[GoodDump, ...]:
        """Dumps it rests on that are no longer taken for good: while there is one, it judges nothing."""
        return tuple(one for one in self.dumps or () if one.withdrawn)


@dataclass(frozen=True, slots=True)
class BrokenFamily:
    """A file of the shop's families that cannot be used, and why."""

    name: str
    trouble: BadFormFile


def learn_family(
    bench: Bench,
    shop: ShopFiles,
    name: str,
    files: Sequence[Path],
    *,
    also_withdrawn: bool = False,
    also_doubtful: bool = False,
    in_its_place: bool = False,
    names: Mapping[Path, str] | None = None,
) -> tuple[LearnedFamily, Path]:
    """Learns a family from known-good dumps and keeps it with the shop; an older one of that name is moved
    beside it.

    Args:
        also_withdrawn: take dumps that were withdrawn from this family for good again; else they are left
            out.
        also_doubtful: take dumps of which the ledger does not know that they are good.
        in_its_place: let it take the place of a family of that name which judges and rests on other dumps.
        names: what files are called that lie under a name of ours; the others go by their own.

    Raises:
        UsageError: a file cannot be read or is too large, there are too many, the name cannot be a file's,
            every dump was withdrawn, one is doubtful, or another family has the name.
        DumpUnproven: dumps of different sizes, too many bytes in all, no dumps of a ROM, or rules that make
            no family file.
        DestinationError: the family cannot be kept.
        LedgerError: the ledger's notes of the family cannot be read.
        Interrupted: stopped by hand; nothing was kept.
        ChangedMeanwhile: one of the dumps was taken back while they were learned; nothing was kept.
    """
    good, left_out, taken = foresee_learning(
        bench,
        shop,
        name,
        files,
        also_withdrawn=also_withdrawn,
        also_doubtful=also_doubtful,
        in_its_place=in_its_place,
        names=names,
    )
    family = learn(taken, lambda: _heed(bench))
    text = _usable_text(family)
    body = {"file": _digest(text), "dumps": [{"name": one.name, "sha256": one.sha256} for one in good]}
    with bench.shelf.together():  # learning takes long: what was so at its beginning must still be
        back = {} if also_withdrawn else _withdrawn(bench, name)
        for one in good:
            if one.sha256 in back:
                raise ChangedMeanwhile(
                    f"{one.name} was taken back from the family {name} while it was learned: "
                    f"{back[one.sha256]} Nothing was kept.",
                    "Learn it from the other dumps.",
                )
        _require_may_be_kept(bench, shop, name, good, also_doubtful=also_doubtful, in_its_place=in_its_place)
        path, earlier = shop.keep(FAMILIES, name, text)
        bench.notes.add(Note(0, "", NoteKind.LEARNED, name, bench.now(), bench.who, json.dumps(body)))
    return LearnedFamily(name, family, tuple(good), tuple(left_out), earlier), path


def foresee_learning(
    bench: Bench,
    shop: ShopFiles,
    name: str,
    files: Sequence[Path],
    *,
    also_withdrawn: bool = False,
    also_doubtful: bool = False,
    in_its_place: bool = False,
    names: Mapping[Path, str] | None = None,
) -> tuple[list[GoodDump], list[GoodDump], list[bytes]]:
    """Passes where `learn_family` would begin, and keeps nothing. Takes and raises as it does.

    Returns:
        The dumps to learn from, those left out, and the bytes of the former, equal ones once.
    """
    if len(files) > DUMPS_LIMIT:
        raise UsageError(f"{len(files)} dumps are too many.", f"Give at most {DUMPS_LIMIT} of one family.")
    shop.check_name(name)
    gone = {} if also_withdrawn else _withdrawn(bench, name)
    good, left_out, taken = _fetched(bench, files, gone, names or {})
    if left_out and not taken:
        raise UsageError(
            f"Every dump given was withdrawn from the family {name}: {left_out[0].withdrawn}",
            "Give others; --also-withdrawn takes them for good again.",
        )
    _require_may_be_kept(bench, shop, name, good, also_doubtful=also_doubtful, in_its_place=in_its_place)
    return good, left_out, taken


def _require_may_be_kept(
    bench: Bench,
    shop: ShopFiles,
    name: str,
    good: Sequence[GoodDump],
    *,
    also_doubtful: bool,
    in_its_place: bool,
) -> None:
    """
    Raises:
        UsageError: a dump is doubtful, or another family has the name.
    """
    if not also_doubtful:
        require_good(bench, {one.sha256: one.name for one in good})
    if not in_its_place:
        _require_free(bench, shop, name, good)


def _require_free(bench: Bench, shop: ShopFiles, name: str, good: Sequence[GoodDump]) -> None:
    """Passes where no family that judges has this name, or one that rests on the same dumps.

    Raises:
        UsageError: there is one; it says what it has.
    """
    text = shop.text(FAMILIES, name)
    try:
        standing = _learned(bench, name, text) if text is not None else None
    except BadFormFile:
        return  # it judges nothing
    if standing is None or standing.withdrawn:
        return
    if {one.sha256 for one in standing.dumps or ()} == {one.sha256 for one in good}:
        return
    rests = ", ".join(one.name for one in standing.dumps or ()) or "not known which"
    raise UsageError(
        f"There is a family {name} already, with {counted(len(standing.family.rules), 'rule')} from "
        f"{counted(standing.family.dumps, 'known-good dump')} ({rests}). This one, from "
        f"{counted(len(good), 'dump')} ({', '.join(one.name for one in good)}), would take its place. "
        "Nothing was learned.",
        "Give it another name; or say that it goes in its place (--in-its-place; a tick here).",
    )


def _heed(bench: Bench) -> None:
    if bench.stop():
        raise Interrupted("Stopped before anything was learned.", "Learn it again; nothing was kept.")


def _fetched(
    bench: Bench, files: Sequence[Path], gone: Mapping[str, str], names: Mapping[Path, str]
) -> tuple[list[GoodDump], list[GoodDump], list[bytes]]:
    """The dumps to learn from, those left out, and the bytes of the former, equal ones once. Stops at the
    first that cannot be taken together with those before it.

    Args:
        gone: by SHA-256, why dumps are left out.
        names: of files that do not go by their own.
    """
    good: list[GoodDump] = []
    left_out: list[GoodDump] = []
    taken: dict[str, bytes] = {}
    size = 0
    for path in files:
        named = names.get(path, str(path))
        data = bench.files.fetch(path, LARGEST_DUMP)
        size = size or len(data)
        if len(data) != size:
            first = names.get(files[0], files[0])
            raise DumpUnproven(
                f"{named} has {size_text(len(data))}, and {first} has {size_text(size)}: dumps of one "
                "family are of one size.",
                "Give dumps of one kind of chip, each read whole.",
            )
        digest = sha256(data).hexdigest()
        if digest in gone:
            left_out.append(GoodDump(names.get(path, path.name), digest, gone[digest]))
            continue
        good.append(GoodDump(names.get(path, path.name), digest))
        taken[digest] = data
        if len(taken) * size > MOST_BYTES:
            raise DumpUnproven(
                f"With {named} the dumps are more than {size_text(MOST_BYTES)} together, which is what rules "
                "are learned from at once.",
                f"Give at most {MOST_BYTES // size} of this size, of different drives.",
            )
    return good, left_out, list(taken.values())


def _usable_text(family: Family) -> str:
    """The text form, proven to be one that is read again as the same family.

    Raises:
        DumpUnproven: it is not.
    """
    text = family.to_json()
    try:
        same = Family.from_json(text) == family
        trouble = "it reads back as another one"
    except BadFormFile as found:
        same, trouble = False, found.what
    if not same:
        raise DumpUnproven(
            f"What these dumps teach makes no family file: {trouble}. Nothing was kept.",
            "Give fewer dumps, of drives with the same code.",
        )
    return text


def unlearn_dump(
    bench: Bench, shop: ShopFiles, name: str, dump: str, reason: str
) -> tuple[LearnedFamily, GoodDump]:
    """Takes back that a dump is a good one of its family. A family that rests on it judges nothing until it
    is learned anew from the others.

    Args:
        dump: its file name when it was learned, or the first eight digits or more of its SHA-256.
        reason: why it is not good.

    Raises:
        UsageError: the family or the dump is not there, several are meant, it was taken back before, or no
            reason is given.
        BadFormFile: the family's file cannot be used.
        LedgerError: the ledger's notes of the family cannot be read.
    """
    require_reason(reason)
    known = _learned(bench, name, _text_named(shop, name))
    if known.dumps is None:
        raise UsageError(
            f"Neither its file nor the ledger says which dumps the family {name} was learned from.",
            f"mendbay rom learn {name} DUMPS learns it anew from those that are good.",
        )
    begin = dump.casefold()
    found = [
        one
        for one in known.dumps
        if one.name == dump or (len(begin) >= SHORTEST_DIGEST and one.sha256.startswith(begin))
    ]
    if len({one.sha256 for one in found}) != 1:
        names = ", ".join(f"{one.name} ({one.sha256[:12]})" for one in found or known.dumps)
        said = "meets several dumps" if found else "is no dump"
        raise UsageError(f"{dump[:60]!r} {said} of the family {name}.", f"It rests on: {names}.")
    if found[0].withdrawn:
        raise UsageError(
            f"{found[0].name} was taken back from the family {name} before: {found[0].withdrawn}",
            f"mendbay rom learn {name} DUMPS learns it anew from the others.",
        )
    with bench.shelf.together():
        withdraw(bench, [_dump_subject(name, found[0].sha256)], 0, "", reason)
    return _learned(bench, name, _text_named(shop, name)), replace(found[0], withdrawn=reason.strip())


def families(bench: Bench, shop: ShopFiles) -> tuple[tuple[LearnedFamily, ...], tuple[BrokenFamily, ...]]:
    """Every family the shop has learned, by name, also those that rest on a withdrawn dump; and the files
    among them that cannot be used.

    Raises:
        BadFormFile: their folder cannot be read.
        LedgerError: the ledger's notes of a family cannot be read.
    """
    found: list[LearnedFamily] = []
    broken: list[BrokenFamily] = []
    for name in shop.names(FAMILIES):
        try:
            text = shop.text(FAMILIES, name)
            if text is not None:
                found.append(_learned(bench, name, text))
        except UsageError as trouble:
            broken.append(BrokenFamily(name, BadFormFile(trouble.what, "Give the file another name.")))
        except BadFormFile as trouble:
            broken.append(BrokenFamily(name, trouble))
    return tuple(found), tuple(broken)


def family_named(bench: Bench, shop: ShopFiles, name: str) -> Family:
    """One family, to judge by.

    Raises:
        UsageError: the shop has none of that name, or it rests on a dump that was withdrawn.
        BadFormFile: its file cannot be used.
        LedgerError: the ledger's notes of the family cannot be read.
    """
    found = _learned(bench, name, _text_named(shop, name))
    if found.withdrawn:
        first = found.withdrawn[0]
        left = [one.name for one in found.dumps or () if not one.withdrawn]
        raise UsageError(
            f"The family {name} rests on a dump that was withdrawn, {first.name}: {first.withdrawn}",
            f"mendbay rom learn {name} DUMPS learns it anew from the others: {', '.join(left) or 'none'}.",
        )
    return found.family


def _text_named(shop: ShopFiles, name: str) -> str:
    text = shop.text(FAMILIES, name)
    if text is None:
        known = ", ".join(shop.names(FAMILIES)) or "none yet"
        raise UsageError(
            f"The shop has learned no family {name[:60]!r}.",
            f"It has: {known}. mendbay rom learn NAME DUMPS learns one.",
        )
    return text


def _learned(bench: Bench, name: str, text: str) -> LearnedFamily:
    """A family with the dumps that its file names, or that the ledger says this very file was learned from;
    their names are those of the last time they were learned."""
    family, gone = _read(name, text), _withdrawn(bench, name)
    notes = [_learned_body(note) for note in bench.notes.of(NoteKind.LEARNED, subject=name)]
    digests = family.learned_from
    if not digests:
        own = [body["dumps"] for body in notes if body["file"] == _digest(text)]
        if not own and (notes or gone):
            raise BadFormFile(
                f"The family {name} cannot be used. Its file does not say which dumps it was learned from, "
                "and is none of those that the ledger knows: whether one of its dumps was withdrawn cannot "
                "be told.",
                f"mendbay rom learn {name} DUMPS learns it anew from those that are good.",
            )
        if not own:
            return LearnedFamily(name, family, None)
        digests = tuple(dict.fromkeys(one["sha256"] for one in own[-1]))
    names = {digest: [digest[:SHORTEST_DIGEST]] for digest in digests}
    for body in notes:
        for digest in {one["sha256"] for one in body["dumps"]} & names.keys():
            names[digest] = [one["name"] for one in body["dumps"] if one["sha256"] == digest]
    dumps = tuple(GoodDump(one, digest, gone.get(digest, "")) for digest in digests for one in names[digest])
    return LearnedFamily(name, family, dumps)


def _withdrawn(bench: Bench, name: str) -> dict[str, str]:
    """By SHA-256, why dumps are no longer taken for good ones of a family: the last word counts."""
    taken = {
        one["sha256"]: note.number
        for note in bench.notes.of(NoteKind.LEARNED, subject=name)
        for one in _learned_body(note)["dumps"]
    }
    begin = _dump_subject(name, "")
    gone = {}
    for note in bench.notes.of(NoteKind.WITHDRAWAL, 0):
        digest = note.subject.removeprefix(begin)
        if note.subject.startswith(begin) and note.number > taken.get(digest, 0):
            gone[digest] = reason_of(note)
    return gone


def _learned_body(note: Note) -> dict[str, Any]:
    try:
        body: dict[str, Any] = json.loads(note.body)
        if all(isinstance(one["name"], str) and isinstance(one["sha256"], str) for one in body["dumps"]):
            return {"file": body["file"], "dumps": body["dumps"]}
        raise ValueError("a dump has no name or digest")
    except (ValueError, KeyError, TypeError) as trouble:
        raise LedgerError(
            f"The ledger's note {note.number} of a learned family cannot be read: {trouble!r:.60}.",
            "End whatever of Mendbay runs, then put the newest backup of the ledger in its place.",
        ) from trouble


def _dump_subject(name: str, digest: str) -> str:
    return f"dump of {name}: {digest}"


def _digest(text: str) -> str:
    return sha256(text.encode()).hexdigest()


def check_rom(bench: Bench, shop: ShopFiles, case: int, bay: str, role: Role, name: str) -> CheckedRom:
    """Holds the newest reads of a chip against a family, and a patient's against the donor's.

    Raises:
        NoSuchCase: there is no such case or bay.
        UsageError, BadFormFile: the family is not there, or cannot be used.
        DumpUnproven: the chip was never read.
    """
    family = family_named(bench, shop, name)
    reads = newest_sitting(bench, case, bay, role)
    if not reads:
        raise DumpUnproven(
            f"{whose(role)} ROM (bay {bay}) was never read.",
            f"mendbay rom read {case} {bay} {role.value} reads it.",
        )
    dump = judged_reads(contents(bench, case, reads), reads).data
    found = judge(family, dump)
    donors = newest_sitting(bench, case, bay, Role.DONOR) if role is Role.PATIENT else ()
    other = compare(family, dump, contents(bench, case, donors[:1])[0]) if donors else None
    bench.note(
        case,
        "rom",
        f"Bay {bay}: the {role.value}'s ROM held against family {name}: {len(found.held)} rules hold, "
        f"{len(found.failed)} fail.",
        {"family": name, "held": len(found.held), "failed": len(found.failed)},
    )
    return CheckedRom(name, family.dumps, reads, found, other)


def judge_by_family(
    bench: Bench, shop: ShopFiles, case: int, bay: str, role: Role, name: str, reference: Path | None = None
) -> JudgedRom:
    """Judges the newest reads of a chip as `judge_rom` does, with all that a family knows.

    Raises:
        NoSuchCase, DumpUnproven: as `judge_rom`.
        UsageError, BadFormFile: the family is not there, or cannot be used; or the reference cannot be read.
    """
    family = family_named(bench, shop, name)
    return judge_rom(
        bench, case, bay, role, reference, self_checks(family), lambda dump: judge(family, dump).against
    )


def look_by_family(bench: Bench, shop: ShopFiles, case: int, bay: str, role: Role, name: str) -> LookedAtRom:
    """The same without anything kept or written down. Raises as it does."""
    family = family_named(bench, shop, name)
    return look_at_reads(
        bench, case, bay, role, None, self_checks(family), lambda dump: judge(family, dump).against
    )


def failed_sentences(judgement: DumpJudgement) -> tuple[str, ...]:
    """What of its family a dump fails, as sentences a plan carries: rules, bytes that all drives share,
    copies, or its size. If there are none, nothing speaks against the dump."""
    return judgement.against


def _read(name: str, text: str) -> Family:
    try:
        return Family.from_json(text)
    except BadFormFile as trouble:
        raise BadFormFile(f"The family {name} cannot be used. {trouble.what}", trouble.next_step) from trouble

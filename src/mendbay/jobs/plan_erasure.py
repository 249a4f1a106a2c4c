"""Draw up the erasure of a case's copies: what goes, what stays, and why it may go."""

from __future__ import annotations

import json
from collections.abc import Collection, Iterator, Sequence
from dataclasses import dataclass, replace
from hashlib import sha256
from pathlib import Path

from mendbay.case.records import Case
from mendbay.core.errors import DestinationError, Interrupted, MendbayError, NothingWanted
from mendbay.core.note import Note, NoteKind
from mendbay.core.quantity import bytes_text, counted
from mendbay.handback.erasure import DEFAULT_SORTS, ErasurePlan, PlannedFile, PlannedRoot, Proof, Sort
from mendbay.handback.erasure_check import Seen, against_time, offered, require_no_reasons
from mendbay.jobs.bench import Bench
from mendbay.jobs.erasure_port import Beat, Copies
from mendbay.jobs.events import Event, Said, StepProgress, Tell
from mendbay.jobs.keep_copies import held, is_of_bag, recorded_hand_backs
from mendbay.jobs.ports import KeptFile
from mendbay.jobs.reached_customer import manifest_on_record, reached
from mendbay.jobs.remembered import remembered
from mendbay.jobs.withdraw import require_reason

PLAN, CERTIFICATE = "plan", "certificate"
ALWAYS_KEPT = (
    "the custody log and the story of the case",
    "the log of reads of each image: which ranges the drive gave, none of their bytes",
    "journals and certificates, this erasure's too",
)


@dataclass(frozen=True, slots=True)
class Planned:
    """A plan that was drawn up.

    Args:
        path: of its file in the case's folder.
        stays: what the shop keeps, as the ends of sentences.
    """

    plan: ErasurePlan
    path: str
    stays: tuple[str, ...]


def plan_erasure(
    bench: Bench,
    copies: Copies,
    number: int,
    *,
    sorts: Sequence[Sort] = (),
    reason: str = "",
    hand_back: Path | None = None,
    unproven: str = "",
) -> Planned:
    """Draws the plan up and keeps it; nothing is erased yet.

    Args:
        sorts: what goes; `DEFAULT_SORTS` if none are named.
        reason: why the copies go although their day is not over.
        hand_back: the folder that proves the hand-back; without it one on record that is still there, on
            another medium than the cases if there is one.
        unproven: a person's word why it does not matter that nothing proves it.

    Raises:
        NoSuchCase: there is no such case.
        UsageError: a reason or word cannot be kept: too long, or with a line break.
        ErasureRefused: something speaks against it; all reasons are named.
        Interrupted: stopped by hand; nothing was planned.
        LedgerError: a note is not one that Mendbay wrote.
        NothingWanted: the shop holds nothing of these sorts.
        DestinationError: a folder or file cannot be read, or the plan not be kept.
    """
    case, today = remembered(bench, number), bench.now()[:10]
    for word in (reason, unproven):
        if word:
            require_reason(word, "erased early")
    chosen = tuple(dict.fromkeys(sorts)) or DEFAULT_SORTS
    require_no_reasons(list(against_time(case.keep_until, today, reason)))
    roots, reasons, elsewhere = _roots(bench, copies, case, chosen, bool(sorts), hand_back)
    sources = sources_of_all(bench)
    seen = [one for root in roots for one in copies.walk(case, root.root, sources)]
    ours = [one for one in seen if not one.root or is_of_bag(one.path)]
    picked, against = offered(ours, chosen, copies.shop_device)
    reasons += against
    if not picked and not reasons:
        raise NothingWanted(
            f"The shop holds nothing of case {number} that is to be erased: {', '.join(chosen)}.",
            "mendbay case keeping tells what it holds.",
        )
    proof, doubts = _proof(bench, copies, case, hand_back, unproven, {one.root for one in roots})
    require_no_reasons([*reasons, *doubts])
    used = {one.root for _, one in picked}
    plan = ErasurePlan(
        name="",
        case=number,
        made_at=bench.now(),
        made_by=bench.who,
        sorts=chosen,
        roots=tuple(one for one in roots if one.root in used),
        files=tuple(_planned(bench, copies, case, picked)),
        keep_until=case.keep_until,
        reason=reason.strip(),
        proof=proof,
        media=copies.media(case, sorted(used)),
    )
    plan, path = _keep(bench, case, plan)
    others = [one for one in seen if one.root and not is_of_bag(one.path)]
    return Planned(plan, path, tuple(_stays(bench, copies, plan, elsewhere, others)))


def sources_of_all(bench: Bench) -> tuple[str, ...]:
    """What the drives of all cases were read from, as their runs name it. What cannot be seen is told."""
    found: list[str] = []
    for case in bench.ledger.cases():
        for image in bench.ledger.images(case.number):
            if not bench.images.exists(case, image.bay):
                continue
            try:
                store = bench.images.reopen(case, image.bay, writable=False)
            except MendbayError as trouble:
                bench.tell(
                    Said(
                        f"What bay {image.bay} of case {case.number} was read from "
                        f"is not known: {trouble.what}"
                    )
                )
                continue
            try:
                found += [run.source for run in store.runs()]
            finally:
                store.close()
    return tuple(dict.fromkeys(found))


def _roots(
    bench: Bench, copies: Copies, case: Case, chosen: Sequence[Sort], named: bool, hand_back: Path | None
) -> tuple[list[PlannedRoot], list[str], list[str]]:
    """The folders to erase in, what speaks against it, and hand-backs that stay since they lie elsewhere."""
    own = copies.root(case, "")
    roots = [own] if own is not None else []
    reasons: list[str] = []
    elsewhere: list[str] = []
    if Sort.HAND_BACK not in chosen:
        return roots, reasons, elsewhere
    recorded = recorded_hand_backs(bench, case.number)
    if named and hand_back is not None and str(hand_back.absolute()) not in recorded:
        reasons.append(f"{hand_back} is not on record as a hand-back of case {case.number}.")
    for folder in recorded:
        root = copies.root(case, folder)
        if root is None:
            continue
        if root.device != copies.shop_device:
            elsewhere.append(folder)
            if named:
                reasons.append(
                    f"{folder} lies on another medium than the cases, which may be the customer's own."
                )
        elif copies.case_of_bag(Path(folder)) != f"{case.number:04}":
            reasons.append(f"{folder} does not hold a hand-back of case {case.number} any more.")
        else:
            roots.append(root)
    return roots, reasons, elsewhere


def proving_hand_backs(bench: Bench, copies: Copies, number: int) -> tuple[str, ...]:
    """The folders of hand-backs on record that can be reached and are not refused as proof at once, the last
    first: the shop's own copy proves nothing by itself, so it is among them only once a medium is known to
    have reached the customer.

    Raises:
        NoSuchCase: there is no such case.
    """
    case = bench.ledger.case(number)
    got = bool(reached(bench, number, manifest_on_record(bench, number)).words)
    return tuple(
        one
        for one in reversed(recorded_hand_backs(bench, number))
        if copies.root(case, one) is not None and (got or _is_elsewhere(copies, case, one))
    )


def _proof(
    bench: Bench, copies: Copies, case: Case, hand_back: Path | None, unproven: str, going: Collection[str]
) -> tuple[Proof, list[str]]:
    """What proves the hand-back, and why it does not.

    Args:
        going: the folders that are to be erased in.
    """
    recorded = recorded_hand_backs(bench, case.number)
    away = {one: _is_elsewhere(copies, case, one) for one in recorded if copies.root(case, one) is not None}
    there = sorted(away, key=lambda one: away[one])  # of those alike the last
    folder = hand_back or (Path(there[-1]) if there else None)
    proof = Proof(word=unproven.strip())
    if folder is None:
        got = reached(bench, case.number, manifest_on_record(bench, case.number))
        proof = replace(proof, handed_over=got.words)
        missing = "No hand-back folder is where it was made" if recorded else "No hand-back is on record"
        return proof, [] if proof.holds else [f"{missing}: {_ask_for_proof(case, got.missing)}."]
    told = copies.check_bag(folder, _heeding(bench))
    doubts = []
    if not told.check.is_valid:
        where, what = next(iter(told.check.wrong.items()))
        doubts.append(f"{folder} is not a sound hand-back: {f'{where}: ' if where else ''}{what}.")
    elif told.case != f"{case.number:04}" or not told.manifest_sha256:
        doubts.append(f"{folder} is not a hand-back of case {case.number}.")
    if doubts:
        return proof, [] if proof.word else doubts
    spared = str(folder.absolute()) not in going
    got = reached(bench, case.number, told.manifest_sha256, spared=spared)
    proof = replace(
        proof,
        folder=str(folder.absolute()),
        files=told.check.files,
        size_bytes=told.check.size_bytes,
        manifest_sha256=told.manifest_sha256,
        elsewhere=_is_elsewhere(copies, case, str(folder.absolute())),
        handed_over=got.words,
    )
    if not proof.holds:
        spare = "" if spared else "leave it where it is (--class images), "
        doubts.append(
            f"{folder} lies on the shop's own medium, so it does not say that the customer has the files: "
            f"{_ask_for_proof(case, got.missing, spare if got.gone_out else '')}."
        )
    return proof, doubts


def _is_elsewhere(copies: Copies, case: Case, folder: str) -> bool:
    root = copies.root(case, folder)
    return root is not None and root.device != copies.shop_device


def _ask_for_proof(case: Case, missing: Sequence[str], spare: str = "") -> str:
    return (
        f"{'; '.join(missing)}; or {spare}name one on another medium with --hand-back, or say why that does "
        f"not matter (mendbay case erase-plan {case.number} --unproven REASON)"
    )


def _heeding(bench: Bench) -> Tell:
    """Tells, and ends with `Interrupted` where a stop was asked for."""

    def tell(event: Event) -> None:
        if bench.stop():
            raise Interrupted("Stopped before the plan was made.", "Nothing was erased; plan anew.")
        bench.tell(event)

    return tell


def _planned(
    bench: Bench, copies: Copies, case: Case, picked: Sequence[tuple[Sort, Seen]]
) -> Iterator[PlannedFile]:
    tell = _heeding(bench)
    for at, (sort, one) in enumerate(picked):
        tell(StepProgress("reading what is to be erased", at, len(picked), one.path))
        yield PlannedFile(
            root=one.root,
            path=one.path,
            sort=sort,
            size_bytes=one.size_bytes,
            stored_bytes=one.stored_bytes,
            device=one.device,
            inode=one.inode,
            modified_ns=one.modified_ns,
            changed_ns=one.changed_ns,
            digest=copies.digest(case, one, _beat(tell, one)),
        )


def _beat(tell: Tell, one: Seen) -> Beat:
    return lambda at: tell(StepProgress("reading", at, one.size_bytes, one.path, in_bytes=True))


def _keep(bench: Bench, case: Case, plan: ErasurePlan) -> tuple[ErasurePlan, str]:
    """Gives the plan its number, notes it, and only then keeps it as a file: that names the customer's files,
    so there must never be one that no note tells of. Why copies go early stands in the file and not in
    custody, as a person may name the customer in it."""
    ground = "for a reason given" if plan.reason else f"kept until {plan.keep_until}"
    amount = f"{counted(len(plan.files), 'file', plain=True)}, {bytes_text(plan.size_bytes, plain=True)}"
    with bench.ledger.together():
        earlier = [one for one in bench.notes.of(NoteKind.ERASURE, case.number) if what_of(one) == PLAN]
        plan = replace(plan, name=str(1 + len({one.subject for one in earlier})))
        data = plan.to_json().encode()
        path = f"erasures/plan-{plan.name}.json"
        _note(bench, plan, KeptFile(path, sha256(data).hexdigest(), len(data)))
        bench.custody(case.number, f"erasure of copies planned ({amount}, {ground})", plan_item(plan))
        bench.note(case.number, "erasure", f"Erasure {plan.name} planned: {amount}, {ground}.")
    kept = bench.files.keep(case, path, data)
    if kept.path != path:  # another file was there
        _note(bench, plan, kept)
    return plan, kept.path


def _note(bench: Bench, plan: ErasurePlan, kept: KeptFile) -> None:
    body = {
        "what": PLAN,
        "digest": plan.digest,
        "path": kept.path,
        "sha256": kept.sha256,
        "size_bytes": kept.size_bytes,
    }
    bench.notes.add(
        Note(plan.case, "", NoteKind.ERASURE, plan.name, bench.now(), bench.who, json.dumps(body))
    )


def plan_item(plan: ErasurePlan) -> str:
    """What an entry of custody about a plan names."""
    return f"erasure plan {plan.name}, SHA-256 {plan.digest}"


def what_of(note: Note) -> str:
    """What a note of an erasure tells of: `plan` or `certificate`; empty if Mendbay did not write it."""
    try:
        body = json.loads(note.body)
    except ValueError:
        return ""
    return str(body.get("what", "")) if isinstance(body, dict) else ""


def stays_of(bench: Bench, copies: Copies, plan: ErasurePlan) -> tuple[str, ...]:
    """What the shop keeps after a plan that was drawn up before, as the ends of sentences.

    Raises:
        LedgerError: a note is not one that Mendbay wrote.
    """
    try:
        elsewhere = held(bench, copies, plan.case).elsewhere
    except DestinationError as trouble:
        return (*ALWAYS_KEPT, trouble.what)
    return tuple(_stays(bench, copies, plan, elsewhere, ()))


def _stays(
    bench: Bench, copies: Copies, plan: ErasurePlan, elsewhere: Sequence[str], others: Sequence[Seen]
) -> Iterator[str]:
    yield from ALWAYS_KEPT
    try:
        holds = held(bench, copies, plan.case)
    except DestinationError as trouble:
        yield trouble.what
        return
    for sort, amount in holds.amounts.items():
        if sort not in plan.sorts:
            yield f"{sort}: {counted(amount.files, 'file')}, {bytes_text(amount.size_bytes)}"
    for one in elsewhere:
        yield f"the hand-back {one}: it lies on another medium, which may be the customer's own"
    for seen in others:
        yield f"{seen.root}/{seen.path}: it is no part of the hand-back"

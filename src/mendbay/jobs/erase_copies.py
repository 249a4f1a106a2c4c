"""Erase a case's copies by a plan, and certify it."""

from __future__ import annotations

import json
from collections.abc import Callable, Iterator, Sequence
from dataclasses import dataclass
from typing import Any

from mendbay.case.custody import CustodyEntry
from mendbay.case.records import Case
from mendbay.core.errors import (
    CustodyBroken,
    ErasureIncomplete,
    LedgerError,
    MendbayError,
    SourceChanged,
    UsageError,
)
from mendbay.core.note import Note, NoteKind
from mendbay.core.quantity import bytes_text, count_text, counted
from mendbay.handback.erasure import DEFAULT_SORTS, ErasurePlan, Sort
from mendbay.handback.erasure_certificate import Done, ErasureCertificate, certify
from mendbay.handback.erasure_check import ClearedPlan, Situation, clear, require_no_reasons
from mendbay.jobs.bench import Bench
from mendbay.jobs.check_custody import check_custody
from mendbay.jobs.consents import require_undisputed
from mendbay.jobs.erasure_port import Copies, Eraser, Erasing
from mendbay.jobs.keep_copies import held
from mendbay.jobs.papers import frame, person_on_paper, shop_of
from mendbay.jobs.plan_erasure import ALWAYS_KEPT, CERTIFICATE, PLAN, plan_item, sources_of_all, what_of
from mendbay.jobs.ports import KeptFile
from mendbay.jobs.reached_customer import reached
from mendbay.jobs.withdraw import require_reason

Confirm = Callable[[ErasurePlan], None]
"""Asked before anything is touched; raises what the command ends with if nobody wants it."""


@dataclass(frozen=True, slots=True)
class Erased:
    """An erasure that was certified.

    Args:
        path: of the certificate in the case's folder.
        plan_gone: the plan, which names the files, is erased too.
    """

    certificate: ErasureCertificate
    path: str
    sha256: str
    plan_gone: bool


@dataclass(frozen=True, slots=True)
class PlanOnRecord:
    """A plan of a case's erasures: when and by whom it was made, and when it was certified (empty: not)."""

    name: str
    at: str
    who: str
    certified_at: str


def plans_of(bench: Bench, number: int) -> tuple[PlanOnRecord, ...]:
    """The plans of a case's erasures, the newest first.

    Raises:
        NoSuchCase: there is no such case.
    """
    bench.ledger.case(number)
    notes = bench.notes.of(NoteKind.ERASURE, number)
    done = {one.subject: one.at for one in notes if what_of(one) == CERTIFICATE}
    made = {
        one.subject: PlanOnRecord(one.subject, one.at, one.who, done.get(one.subject, ""))
        for one in notes
        if what_of(one) == PLAN
    }
    return tuple(reversed(made.values()))


def plan_of(bench: Bench, number: int, name: str) -> ErasurePlan:
    """A plan that is not carried out yet, proven by its digests and by custody.

    Raises:
        NoSuchCase: there is no such case.
        UsageError: no such plan, or it is done.
        SourceChanged: the file of the plan is gone or changed.
        CustodyBroken: custody does not tell of this plan.
    """
    return _open_plan(bench, number, name)[1]


def is_begun(custody: Sequence[CustodyEntry], plan: ErasurePlan) -> bool:
    """Whether custody tells that the erasure by a plan was begun: from then on its files may be gone."""
    return any(one.item == plan_item(plan) and "begun" in one.what for one in custody)


def erase_copies(
    bench: Bench, copies: Copies, eraser: Eraser, number: int, name: str, tool: str, confirm: Confirm
) -> Erased:
    """Erases what a plan names, or goes on where that was stopped, and certifies it when all of it is gone.

    Args:
        tool: name and version of the program, for the certificate.

    Raises:
        NoSuchCase: there is no such case.
        UsageError: no such plan, or it is done.
        ErasureRefused: something speaks against it now; nothing was touched.
        ErasureIncomplete: some files could not be erased.
        Interrupted: stopped by hand; the same call goes on.
        SourceChanged: the file of the plan is gone or changed.
        CustodyBroken: custody does not tell of this plan.
        LedgerError: a note is not one that Mendbay wrote.
        DestinationError: the journal cannot be kept, or the catalogue of the files not be removed.
    """
    case, plan, kept = _open_plan(bench, number, name)
    with eraser.open(case, plan.digest, plan.files) as erasing:
        _require_open(bench, number, name)  # it may have been certified before this had the journal
        _cleared(bench, copies, case, plan, erasing)
        confirm(plan)
        case = bench.ledger.case(number)  # while a person was asked anything may have happened
        cleared = _cleared(bench, copies, case, plan, erasing)
        _drop_catalogue(eraser, case, plan)
        done = _erased(bench, case, plan, cleared, erasing)
        if done.left:
            raise _incomplete(bench, plan, done)
        return _certified(bench, copies, eraser, case, plan, kept, done, tool, "")


def end_erasure(
    bench: Bench, copies: Copies, eraser: Eraser, number: int, name: str, tool: str, reason: str
) -> Erased:
    """Ends an erasure that cannot be finished: the certificate tells what was erased and what was left.

    Raises:
        NoSuchCase: there is no such case.
        UsageError: no such plan, it is done, nothing was erased by it, or no reason is given.
        SourceChanged: the file of the plan is gone or changed.
        CustodyBroken: custody does not tell of this plan.
        LedgerError: a note is not one that Mendbay wrote.
        DestinationError: the journal cannot be kept.
    """
    require_reason(reason, "left")
    case, plan, kept = _open_plan(bench, number, name)
    with eraser.open(case, plan.digest, plan.files) as erasing:
        _require_open(bench, number, name)
        done = erasing.account()
        if not erasing.begun():
            raise UsageError(
                f"Nothing was erased by plan {name}, so there is nothing to certify.",
                "A plan that is not wanted any more can stay as it is.",
            )
        return _certified(bench, copies, eraser, case, plan, kept, done, tool, reason.strip())


def _require_open(bench: Bench, number: int, name: str) -> None:
    """
    Raises:
        UsageError: the plan is certified: an erasure has one certificate.
    """
    notes = bench.notes.of(NoteKind.ERASURE, number, None, name)
    if any(what_of(one) == CERTIFICATE for one in notes):
        raise UsageError(
            f"Erasure {name} of case {number} is done.", f"mendbay case erasure {number} FILE.pdf prints it."
        )


def _open_plan(bench: Bench, number: int, name: str) -> tuple[Case, ErasurePlan, KeptFile]:
    """The plan as it was kept, proven by its digests, and by the entry of custody that names it."""
    case = bench.ledger.case(number)
    _require_open(bench, number, name)
    notes = bench.notes.of(NoteKind.ERASURE, number, None, name)
    plans = [one for one in notes if what_of(one) == PLAN]
    if not plans:
        raise UsageError(
            f"Case {number} has no erasure plan {name[:40]!r}.",
            f"mendbay case erase-plan {number} makes one.",
        )
    kept, digest = _file_of(plans[-1])
    plan = ErasurePlan.from_json(bench.files.take(case, kept).decode("utf-8", "replace"))
    named = any(one.item == plan_item(plan) for one in bench.ledger.custody(number))
    if (plan.digest, plan.case, plan.name) != (digest, number, name) or not named:
        raise CustodyBroken(
            f"Plan {name} of case {number} is not the one that custody tells of.",
            f"mendbay case custody {number} checks the log; then plan anew.",
        )
    return case, plan, kept


def _require_still_proven(bench: Bench, plan: ErasurePlan) -> None:
    """A medium that was handed over may have come back, or its hand-over been called off, since the plan.

    Raises:
        ErasureRefused: nothing says any more that the customer has the files.
    """
    proof = plan.proof
    if not proof.handed_over or proof.elsewhere or proof.word:
        return
    spared = bool(proof.folder) and proof.folder not in {one.root for one in plan.roots}
    if not reached(bench, plan.case, proof.manifest_sha256, spared=spared).words:
        require_no_reasons(["What the plan rests on is so no longer: " + proof.handed_over + "."])


def _cleared(bench: Bench, copies: Copies, case: Case, plan: ErasurePlan, erasing: Erasing) -> ClearedPlan:
    _require_still_proven(bench, plan)
    places = [(one.root, one.path) for one in plan.files]
    begun = frozenset(places[at] for at in erasing.begun())
    found = {one.root: copies.root(case, one.root) for one in plan.roots}
    roots = {name: root for name, root in found.items() if root is not None}
    untouched = [one for one in places if one not in begun]
    return clear(
        plan,
        Situation(
            today=bench.now()[:10],
            keep_until=case.keep_until,
            shop_device=copies.shop_device,
            roots=roots,
            seen=copies.look(case, untouched, sources_of_all(bench)),
            begun=begun,
        ),
    )


def _drop_catalogue(eraser: Eraser, case: Case, plan: ErasurePlan) -> None:
    """The names of the customer's files go with the copies of the files."""
    if set(plan.sorts) & set(DEFAULT_SORTS):
        eraser.drop_catalogue(case)


def _erased(bench: Bench, case: Case, plan: ErasurePlan, cleared: ClearedPlan, erasing: Erasing) -> Done:
    what = "erasure of copies gone on with" if erasing.begun() else "erasure of copies begun"
    bench.custody(case.number, what, plan_item(plan))
    try:
        return erasing.erase(cleared, bench.tell, bench.stop)
    except (MendbayError, KeyboardInterrupt) as trouble:
        why = trouble.what if isinstance(trouble, MendbayError) else "stopped by hand"
        bench.custody(case.number, f"erasure of copies broken off: {why[:200]}", plan_item(plan))
        raise


def _incomplete(bench: Bench, plan: ErasurePlan, done: Done) -> ErasureIncomplete:
    share = f"{counted(len(done.erased), 'file', plain=True)} of {len(plan.files)}"
    with bench.ledger.together():
        bench.custody(plan.case, f"erasure of copies incomplete: {share} erased", plan_item(plan))
        bench.note(plan.case, "erasure", f"Erasure {plan.name} incomplete: {share} erased.")
    first = [f"{plan.files[at].path}: {why}" for at, why in done.left[:3]]
    more = f" And {counted(len(done.left) - 3, 'file')} more." if len(done.left) > 3 else ""
    return ErasureIncomplete(
        f"{count_text(len(done.erased))} of {counted(len(plan.files), 'file')} erased. "
        f"{' '.join(first)}{more}",
        f"mendbay case erase {plan.case} {plan.name} goes on; with --leave REASON it ends there and "
        "certifies what was erased.",
    )


def _certified(
    bench: Bench,
    copies: Copies,
    eraser: Eraser,
    case: Case,
    plan: ErasurePlan,
    kept_plan: KeptFile,
    done: Done,
    tool: str,
    left_because: str,
) -> Erased:
    _drop_catalogue(eraser, case, plan)  # one made meanwhile, of what was left then
    shop = shop_of(bench)
    amounts = held(bench, copies, case.number).amounts
    left = [f"{sort}: {counted(amount.files, 'file', plain=True)}" for sort, amount in amounts.items()]
    certificate = certify(
        plan,
        done,
        plan.media,
        performed_by=person_on_paper(bench, bench.who),
        place=", ".join(one for one in (shop.name, *shop.lines) if one),
        tool=tool,
        kept=(*ALWAYS_KEPT, *left),
        left_because=left_because,
    )
    data = certificate.to_json().encode()
    kept = bench.files.keep(case, f"erasures/certificate-{plan.name}.json", data)
    body = {
        "what": CERTIFICATE,
        "path": kept.path,
        "sha256": kept.sha256,
        "size_bytes": kept.size_bytes,
        "sorts": list(plan.sorts),
        "holds": bool(certificate.left) or any(one in amounts for one in DEFAULT_SORTS),
    }
    amount = (
        f"{count_text(len(done.erased), plain=True)} of {counted(len(plan.files), 'file', plain=True)}, "
        f"{bytes_text(done.overwritten_bytes, plain=True)} overwritten and read back"
    )
    with bench.ledger.together():
        bench.notes.add(
            Note(case.number, "", NoteKind.ERASURE, plan.name, bench.now(), bench.who, json.dumps(body))
        )
        bench.custody(case.number, f"copies erased ({amount})", certificate_item(plan.name, kept))
        bench.note(case.number, "erasure", f"Copies erased by plan {plan.name}: {amount}.")
    for path in _overtaken(bench, case, plan):
        eraser.forget_plan(case, path)
    return Erased(certificate, kept.path, kept.sha256, eraser.forget_plan(case, kept_plan.path))


def _overtaken(bench: Bench, case: Case, plan: ErasurePlan) -> Iterator[str]:
    """Files of other plans that can never be carried out any more, as files that they name are gone, and of
    which nothing was begun. They would keep the names of the customer's files."""
    custody = bench.ledger.custody(case.number)
    gone = {(one.root, one.path) for one in plan.files}
    for note in bench.notes.of(NoteKind.ERASURE, case.number):
        if what_of(note) != PLAN or note.subject == plan.name:
            continue
        kept, _ = _file_of(note)
        try:
            other = ErasurePlan.from_json(bench.files.take(case, kept).decode("utf-8", "replace"))
        except (SourceChanged, UsageError):
            continue  # erased already
        if not is_begun(custody, other) and gone & {(one.root, one.path) for one in other.files}:
            yield kept.path


def certificate_item(name: str, kept: KeptFile) -> str:
    """What the entry of custody that tells of a certificate names."""
    return f"erasure certificate {name}, SHA-256 {kept.sha256}, {kept.path}"


def certificate_paper(bench: Bench, number: int, name: str = "") -> bytes:
    """The certificate of an erasure as PDF, the last one if none is named.

    Raises:
        NoSuchCase: there is no such case.
        UsageError: there is no such certificate.
        SourceChanged: its file is gone or changed.
        CustodyBroken: the custody log does not verify, or does not name it.
        BadFormFile: a file or wording of the shop is not sound.
    """
    return bench.stationery.pdf("erasure", certificate_facts(bench, number, name))


def certificate_facts(bench: Bench, number: int, name: str = "") -> dict[str, Any]:
    """What the paper says; raises as `certificate_paper` does."""
    case = bench.ledger.case(number)
    notes = bench.notes.of(NoteKind.ERASURE, number, None, name or None)
    found = [one for one in notes if what_of(one) == CERTIFICATE]
    if not found:
        raise UsageError(
            f"No erasure of case {number} is certified{f' as {name[:40]}' if name else ''}.",
            f"mendbay case erase-plan {number} begins one.",
        )
    kept, _ = _file_of(found[-1])
    body = json.loads(bench.files.take(case, kept))
    check, entries = check_custody(bench, number)
    if check.is_disputed:
        require_undisputed(bench, number)
    told = [one for one in entries if one.item == certificate_item(found[-1].subject, kept)]
    if not check.holds or not told:
        raise CustodyBroken(
            f"The custody log of case {number} does not verify, or does not tell of this certificate.",
            f"mendbay case custody {number} says where it is broken.",
        )
    return {
        **frame(bench, "Certificate of erasure", case),
        **_words(body),
        "original": {"path": kept.path, "sha256": kept.sha256},
        "custody": {"entry": told[-1].sequence, "hash": told[-1].hash},
    }


def _words(body: dict[str, Any]) -> dict[str, Any]:
    """The facts of a certificate as texts for a paper."""
    listed = body["files"]
    return {
        "certificate": {key: value for key, value in body.items() if isinstance(value, str)},
        "proof": {
            **body["proof"],
            "files": count_text(body["proof"]["files"]),
            "size": bytes_text(body["proof"]["size_bytes"]),
        },
        "overwritten": bytes_text(body["overwritten_bytes"]),
        "sorts": [
            {"sort": sort, "files": count_text(files), "size": bytes_text(size)}
            for sort, files, size in body["sorts"]
        ],
        "files": [
            {**one, "size": bytes_text(one["size_bytes"]), "stored": bytes_text(one["stored_bytes"])}
            for one in listed
        ],
        "hand_back": any(sort == Sort.HAND_BACK for sort, _, _ in body["sorts"]),
        "left": [{"what": what, "why": why} for what, why in body["left"]],
        "kept": body["kept"],
        "media": [_medium_words(one) for one in body["media"]],
    }


def _medium_words(medium: dict[str, Any]) -> dict[str, Any]:
    devices = []
    for one in medium["devices"]:
        turns = {True: "turns", False: "does not turn", None: "unknown whether it turns"}[one["rotational"]]
        size = bytes_text(one["size_bytes"]) if one["size_bytes"] else "size unknown"
        devices.append(
            {
                "name": one["name"],
                "model": one["model"] or "not known",
                "serial": one["serial"] or "not known",
                "about": f"{size}, {turns}",
            }
        )
    return {
        "file_system": medium["file_system"] or "not known",
        "between": ", ".join(medium["between"]),
        "devices": devices,
        "not_reached": medium["not_reached"],
    }


def _file_of(note: Note) -> tuple[KeptFile, str]:
    """The file that a note of an erasure names, and the digest of its plan (empty for a certificate)."""
    try:
        body = json.loads(note.body)
        return KeptFile(str(body["path"]), str(body["sha256"]), int(body["size_bytes"])), str(
            body.get("digest", "")
        )
    except (ValueError, KeyError, TypeError, AttributeError) as trouble:
        raise LedgerError(
            f"The ledger's note {note.number} of an erasure cannot be read: {trouble!r:.60}.",
            "End whatever of Mendbay runs, then put the newest backup of the ledger in its place.",
        ) from trouble

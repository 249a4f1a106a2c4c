"""The transfer of a ROM in the browser: a checklist of which no step can be skipped.

What can be done now is for the jobs to say; a form for anything else is not shown, and one that is sent all
the same is refused before anything is touched.
"""

from __future__ import annotations

from collections.abc import Iterator
from dataclasses import dataclass, replace

from mendbay.board.transfer_checklist import StepState
from mendbay.board.transfer_plan import Padding, Purpose, Role, TransferPlan
from mendbay.core.cautions import cautions_for
from mendbay.core.errors import ChangedMeanwhile, TransferRefused, UsageError
from mendbay.core.note import NoteKind
from mendbay.faces import wording
from mendbay.faces.board_words import CHIP, plan_sentence, rules_sentence
from mendbay.faces.web.addresses import Book
from mendbay.faces.web.answers import Answer, Blob, Page
from mendbay.faces.web.asked_field import CUSTOMER_ASKED
from mendbay.faces.web.bay_choice import BAY, bay_choice, of_a_bay
from mendbay.faces.web.card import card_of
from mendbay.faces.web.case_works import shown_works
from mendbay.faces.web.chip_works import (
    clip_said,
    order_chip_work,
    require_chips_at_rest,
    said_before,
    works_of_chips,
)
from mendbay.faces.web.clip_form import CLIP, VOLTS, told_for_forms
from mendbay.faces.web.drawing import moment
from mendbay.faces.web.fields import choice, flag, line
from mendbay.faces.web.views.setting_forms import shop_name
from mendbay.faces.web.visit import Visit, seen
from mendbay.jobs.bench import Bench
from mendbay.jobs.certify_rom import KeptCertificate, certificates_kept, certified_transfer
from mendbay.jobs.learn_rom import check_rom
from mendbay.jobs.remembered import remembered
from mendbay.jobs.rom_doubts import fitting_family
from mendbay.jobs.rom_reads import newest_sitting
from mendbay.jobs.transfer_rom import (
    Planned,
    customers_word,
    give_up,
    newest_reads,
    plan_transfer,
    tell_plan,
)
from mendbay.jobs.work_port import WorkKind
from mendbay.wiring import shop_files, transfer_certificate, transfer_journals

BOOK = Book()
TARGETS = {"donor": "the donor's chip", "new": "a new chip"}
OF = {one.value: one.value for one in Purpose}
PAPERS = {"A4": "A4", "Letter": "Letter"}
WHAT_IS_READ = "what was read or planned"
REASON = line("reason", "Why", required=True, limit=500)
SAME_CHIP = flag(
    "same_chip", "On my word this is the chip that was cut off, though its open blocks do not show it"
)


@dataclass(frozen=True, slots=True)
class Target:
    """A chip that a transfer could be planned to.

    Args:
        why, next_step: what is missing before that; empty if nothing is.
    """

    name: str
    words: str
    why: str
    next_step: str


def _targets(bench: Bench, case: int, bay: str) -> Iterator[Target]:
    for name, words in TARGETS.items():
        try:
            newest_reads(bench, case, bay, Role(name))
        except TransferRefused as trouble:
            yield Target(name, words, trouble.what, trouble.next_step)
        else:
            yield Target(name, words, "", "")


def _told(visit: Visit, bench: Bench, case: int, bay: str) -> Planned:
    return tell_plan(bench, shop_files(visit.desk.home), transfer_journals(visit.desk.home), case, bay)


def _plan_or_none(visit: Visit, bench: Bench, case: int, bay: str) -> tuple[Planned | None, str, str]:
    """The newest plan, or why there is none to be told of, with the next step."""
    try:
        return _told(visit, bench, case, bay), "", ""
    except TransferRefused as trouble:
        return None, trouble.what, trouble.next_step


def _marks(planned: Planned) -> tuple[object, ...]:
    plan = planned.plan
    return plan.digest, planned.unfinished, planned.given_up, planned.reasons, planned.not_asked, planned.due


def _reads_marks(bench: Bench, case: int, bay: str) -> tuple[object, ...]:
    """What a plan would be drawn up from, and the newest that there is."""
    newest = [newest_sitting(bench, case, bay, one) for one in Role]
    plans = bench.notes.of(NoteKind.PLAN, case, bay)
    return ([one.file.path for reads in newest for one in reads], plans[-1].number if plans else 0)


@BOOK.page(
    "/case/{case:int}/board/transfer",
    "board-transfer",
    "The transfer of the patient's ROM to another chip, step by step.",
    [BAY],
)
@of_a_bay
def transfer(visit: Visit) -> Answer:
    case = visit.path["case"]
    with visit.bench() as bench:
        at = bay_choice(visit, bench, case)
        card = card_of(visit, bench, case)
        works = works_of_chips(visit, at.bay, WorkKind.WRITE_CHIP)  # first: one that ends now has said all
        targets = list(_targets(bench, case, at.bay))
        planned, none, none_next = _plan_or_none(visit, bench, case, at.bay)
        certificates = certificates_kept(bench, case, at.bay)
        reads_mark = seen(*_reads_marks(bench, case, at.bay))
    busy = any(one.is_alive for one in works)
    may_plan = any(not one.why for one in targets) and not (planned and planned.may_undo)
    facts = {
        "card": card,
        "at_bay": at,
        "works": works,
        "busy": busy,
        "targets": targets,
        "may_plan": may_plan and not busy,
        "reads_mark": reads_mark,
        "planned": planned,
        "none": none,
        "none_next": none_next,
        "plan_words": _plan_words(planned.plan) if planned else (),
        "being_learned": _being_learned(visit) if planned is None or not planned.plan.family else "",
        "not_asked": " and ".join(planned.not_asked) if planned and planned.may_write else "",
        "write_at": _write_at(planned) if planned and not busy else None,
        "done": planned is not None and _is_done(planned),
        "plan_mark": seen(*_marks(planned)) if planned else "",
        "certificates": [_certificate_words(one) for one in certificates],
        "cautions": cautions_for(CHIP),
        "before": said_before(works, writes=True),
        "volts": VOLTS,
    }
    return Page("board_transfer.html", facts)


def _certificate_words(one: KeptCertificate) -> str:
    return wording.certificate_words(replace(one, certified_at=f"{moment(one.certified_at)} UTC"))


def _plan_words(plan: TransferPlan) -> list[str]:
    said = [plan_sentence(plan), rules_sentence(plan)]
    if plan.override_reason:
        said += [f"It is used in spite of what follows: {plan.override_reason}", *plan.failed_rules]
    return said


def _being_learned(visit: Visit) -> str:
    """That rules of a family are on their way, which a plan could be held against; empty if none are."""
    works = shown_works(visit, (WorkKind.LEARN_FAMILY,), 0, case=0)
    names = [str(one.order.options.get("name", "")) for one in works if one.is_alive]
    if not names:
        return ""
    return (
        f"The rules of {' and '.join(names)} are being learned now. A plan that is drawn up, or drawn "
        "anew, once they are there is held against them."
    )


def _write_at(planned: Planned) -> int | None:
    """Which step of the list, from 1, the form for writing belongs to; None while it cannot be written."""
    if not planned.may_write:
        return None
    return next(at for at, one in enumerate(planned.steps, 1) if one.state is not StepState.DONE)


def _is_done(planned: Planned) -> bool:
    return not planned.reasons and all(one.state is StepState.DONE for one in planned.steps)


# ---------------------------------------------------------------------- changes


@BOOK.change(
    "/case/{case:int}/board/plan",
    "board-plan",
    "Draws the transfer up from the newest reads of both chips, and checks the plan.",
    [
        BAY,
        choice("target", "To", TARGETS, required=True),
        flag("fill", "Fill the rest of a larger chip with FF"),
        line("family", "Family whose rules the dump is held against", limit=200),
        line("in_spite", "Why it is done in spite of what speaks against it", limit=500),
    ],
)
def plan(visit: Visit) -> Answer:
    case, said = visit.path["case"], visit.said
    padding = Padding.FILL if said["fill"] else Padding.REFUSE
    shop, journals = shop_files(visit.desk.home), transfer_journals(visit.desk.home)
    with told_for_forms(), visit.bench() as bench:
        at = bay_choice(visit, bench, case)
        require_chips_at_rest(visit, at.bay)
        newest_reads(bench, case, at.bay, Role(said["target"]))
        before = _reads_marks(bench, case, at.bay)
        visit.require_unchanged(WHAT_IS_READ, *before)
        family, checked = said["family"] or fitting_family(bench, shop, case, at.bay), None
        if family:
            checked = check_rom(bench, shop, case, at.bay, Role.PATIENT, family)
        with bench.ledger.together():  # the look above may have taken long
            if _reads_marks(bench, case, at.bay) != before:
                raise ChangedMeanwhile(
                    "A chip was read, or the transfer planned, while this plan was drawn up: it is not kept.",
                    "Load the page again, and plan from what is there now.",
                )
            planned = plan_transfer(
                bench,
                journals,
                case,
                at.bay,
                Role(said["target"]),
                padding=padding,
                checked=checked,
                override_reason=said["in_spite"],
            )
    done = "Planned, and refused: nothing can be written." if planned.reasons else "Planned and checked."
    return visit.go("board-transfer", done, {"bay": at.bay})


@BOOK.change(
    "/case/{case:int}/board/write",
    "board-write",
    "Orders that the chip is written as planned, or gone on with where it was cut off, and proven.",
    [
        BAY,
        *CLIP,
        flag("patient_away", "The patient's board is put away, marked as the only copy"),
        flag("roles_checked", "On my word each chip was read under its own name"),
        SAME_CHIP,
        flag("put_away", "On my word the chip on the clip is the target: a finished one counts as proven"),
        line("although", "Why it is written although the customer refused it", limit=500),
        CUSTOMER_ASKED,
    ],
)
def write(visit: Visit) -> Answer:
    if not visit.said["patient_away"]:
        raise UsageError(
            "Nobody said that the patient's board is put away: nothing was written.", "Put it away first."
        )
    return _ordered(visit, restore=False)


@BOOK.change(
    "/case/{case:int}/board/restore",
    "board-restore",
    "Orders that the backup is put back on a chip that was cut off, and proven.",
    [BAY, *CLIP, SAME_CHIP],
)
def restore(visit: Visit) -> Answer:
    return _ordered(visit, restore=True)


def _ordered(visit: Visit, *, restore: bool) -> Answer:
    """Orders what the plan says; the work looks at it once more, and takes that very plan."""
    case, said, clip = visit.path["case"], visit.said, clip_said(visit)
    with told_for_forms(), visit.bench() as bench:
        at = bay_choice(visit, bench, case)
        require_chips_at_rest(visit, at.bay)
        planned = _told(visit, bench, case, at.bay)
        if restore:
            planned.require_undo()
        else:
            planned.require_write()
        visit.require_unchanged("the plan", *_marks(planned))
        word = not restore and said["roles_checked"]
        if not restore:
            planned.require_word(word)
            customers_word(bench, case, at.bay, said["although"], said["customer_asked"], planned.unfinished)
        options = {
            "bay": at.bay,
            "plan": planned.plan.digest,
            "restore": restore,
            "same_chip": said["same_chip"],
            "patient_put_away": not restore and said["put_away"],
            "roles_checked": word,
            "although_refused": "" if restore else said["although"],
            "customer_asked": not restore and said["customer_asked"],
            **clip,
        }
        order_chip_work(visit, bench, WorkKind.WRITE_CHIP, options)
    what = "Putting the backup back has begun" if restore else "The writing has begun"
    return visit.go(
        "board-transfer", f"{what}; this page shows how far it is. Leave the clip untouched.", {"bay": at.bay}
    )


@BOOK.change(
    "/case/{case:int}/board/abandon",
    "board-abandon",
    "Gives up a transfer that was cut off, if its chip is dead.",
    [BAY, REASON],
)
def abandon(visit: Visit) -> Answer:
    case = visit.path["case"]
    with visit.bench() as bench:
        at = bay_choice(visit, bench, case)
        require_chips_at_rest(visit, at.bay)
        before = _reads_marks(bench, case, at.bay)
        planned = _told(visit, bench, case, at.bay)
        planned.require_undo()
        with bench.ledger.together():  # the look above may have taken long
            if _reads_marks(bench, case, at.bay) != before:
                raise ChangedMeanwhile(
                    "A chip was read, or the transfer planned anew, while this one was looked at: it is not "
                    "given up.",
                    "Load the page again, and look at what is there now.",
                )
            visit.require_unchanged("the plan", *_marks(planned))
            gone = give_up(bench, transfer_journals(visit.desk.home), case, at.bay, visit.said["reason"])
    words = f"The transfer to {gone.target.chip_name} is given up: mark that chip, it holds parts of both."
    return visit.go("board-transfer", words, {"bay": at.bay})


@BOOK.page(
    "/case/{case:int}/board/certificate",
    "board-certificate",
    "The certificate of a finished transfer, to print and sign (PDF).",
    [BAY, choice("of", "Of", OF), choice("paper", "Paper", PAPERS, default="A4")],
)
def certificate(visit: Visit) -> Answer:
    case, of = visit.path["case"], visit.said["of"]
    with visit.bench() as bench:
        remembered(bench, case)
        at = bay_choice(visit, bench, case)
        journals = transfer_journals(visit.desk.home)
        facts = certified_transfer(bench, journals, case, at.bay, Purpose(of) if of else None)
        shop = shop_name(bench)
    made = transfer_certificate(facts, visit.said["paper"], shop, visit.desk.home)
    return Blob(made, "application/pdf", f"case-{case}-bay-{at.bay}-rom-certificate.pdf")

"""Works of the office: exporting a case, erasing its copies, learning a family from dumps."""

from __future__ import annotations

from collections.abc import Iterator, Mapping
from contextlib import contextmanager
from dataclasses import dataclass, replace
from pathlib import Path

from mendbay.core.errors import ChangedMeanwhile, UsageError
from mendbay.core.quantity import bytes_text, counted
from mendbay.faces.export_words import export_json, export_left_out, export_size
from mendbay.faces.family_words import (
    family_head,
    family_json,
    few_words,
    left_out_of_family,
    revisions_of_family,
)
from mendbay.faces.keeping_words import IN_USE, erased_json, erased_words, plan_left_words
from mendbay.faces.work.sent import is_sent, remove_sent
from mendbay.faces.work.telling import Telling
from mendbay.handback.erasure import DEFAULT_SORTS, ErasurePlan
from mendbay.jobs.bench import Bench
from mendbay.jobs.erase_copies import erase_copies
from mendbay.jobs.events import Event, StepProgress, Tell
from mendbay.jobs.export_case import export_case
from mendbay.jobs.learn_rom import learn_family
from mendbay.jobs.plan_erasure import plan_erasure
from mendbay.jobs.work_options_office import EraseCopies, ExportCase, LearnFamily, PlanErasure
from mendbay.wiring import eraser, open_bench, open_handback_folder, shop_copies, shop_files, tool


@dataclass(frozen=True, slots=True)
class Made:
    """What came of a work."""

    result: Mapping[str, object]
    words: list[str]
    is_complete: bool = True


@dataclass(frozen=True, slots=True)
class Office:
    """Where these works are done, for whom, and who hears of it."""

    home: Path
    who: str
    telling: Telling

    @contextmanager
    def bench(self) -> Iterator[Bench]:
        """A bench that tells and heeds the work."""
        with open_bench(self.home, who=self.who, tell=self.telling.tell, stop=self.telling.stop) as bench:
            yield bench


def export(at: Office, case: int, options: ExportCase) -> Made:
    """Exports a case, with what is missing; raises as `export_case`."""
    with at.bench() as bench:
        done = export_case(
            bench,
            case,
            options.folder,
            open_handback_folder,
            with_images=options.with_images,
            for_customer=options.for_customer,
        )
    words = [f"Case {case} is exported to {done.folder}: {export_size(done)}."]
    words += [f"{one[:1].upper()}{one[1:]}." for one in export_left_out(done)]
    return Made(export_json(case, done), words, not done.missing)


def plan(at: Office, case: int, options: PlanErasure) -> Made:
    """Plans an erasure; raises as `plan_erasure`."""
    with at.bench() as bench:
        made = plan_erasure(
            replace(bench, tell=_nameless(at.telling)),
            shop_copies(at.home),
            case,
            sorts=() if set(options.sorts) == set(DEFAULT_SORTS) else options.sorts,
            reason=options.reason,
            hand_back=options.hand_back,
            unproven=options.unproven,
        )
    files = counted(len(made.plan.files), "file")
    words = [
        f"Plan {made.plan.name} is made: {files}, {bytes_text(made.plan.size_bytes)}. Nothing is erased yet."
    ]
    return Made({"plan": made.plan.name, "digest": made.plan.digest}, words)


def erase(at: Office, case: int, options: EraseCopies) -> Made:
    """Erases by a plan that a person confirmed; raises as `erase_copies`."""

    def confirm(plan: ErasurePlan) -> None:
        if plan.digest != options.digest:
            raise ChangedMeanwhile("The plan is not the one that was confirmed.", "Look at the plan again.")

    with at.bench() as bench:
        quiet = replace(bench, tell=_nameless(at.telling))
        copies = shop_copies(at.home)
        done = erase_copies(quiet, copies, eraser(at.home), case, options.plan, tool(), confirm)
    words = [erased_words(done.certificate), IN_USE]
    words += [f"LEFT: {what}: {why}" for what, why in done.certificate.left]
    if not done.plan_gone:
        words.append(plan_left_words(options.plan))
    return Made(erased_json(done), words)


def _nameless(telling: Telling) -> Tell:
    """Tells without the names of files: what a work told outlives them."""

    def tell(event: Event) -> None:
        telling.tell(replace(event, now="") if isinstance(event, StepProgress) else event)

    return tell


def learn(at: Office, options: LearnFamily) -> Made:
    """Learns a family from dumps that were sent, and removes what was sent, whatever came of it; raises as
    `learn_family`."""
    if not all(is_sent(at.home, one) for one in options.places):
        raise UsageError("A dump does not lie where what was sent lies.", "Send the dumps again.")
    names = dict(zip(options.places, options.names, strict=True))
    try:
        with at.bench() as bench:
            learned, path = learn_family(
                bench,
                shop_files(at.home),
                options.name,
                options.places,
                also_withdrawn=options.also_withdrawn,
                also_doubtful=options.also_doubtful,
                in_its_place=options.in_its_place,
                names=names,
            )
    finally:
        remove_sent(at.home, options.places)
    words = [family_head(learned), *([f"Mind: {few}"] if (few := few_words(learned)) else [])]
    words += [f"{one[:1].upper()}{one[1:]}." for one in revisions_of_family(learned)]
    words += left_out_of_family(learned)
    if learned.earlier is not None:
        words.append(f"The earlier {learned.name} is now {learned.earlier}.")
    return Made(family_json(learned, str(path)), words)

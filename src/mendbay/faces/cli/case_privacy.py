"""`mendbay case export` and `case forget`: give all that is kept of a case away, and forget it."""

from __future__ import annotations

import sys
from collections.abc import Sequence
from pathlib import Path

import click

from mendbay.case.custody import Head
from mendbay.case.records import Forgotten
from mendbay.core.errors import EXIT_INCOMPLETE
from mendbay.faces import wording
from mendbay.faces.cli.screen import Screen, wrapped
from mendbay.faces.export_words import export_json, export_left_out, export_size, name_words
from mendbay.faces.forget_words import BILLS, going, out_of_reach, staying
from mendbay.jobs.export_case import Exported, export_case
from mendbay.jobs.forget_case import ForgetPlan, forget, plan_forgetting
from mendbay.jobs.save_shop import last_save
from mendbay.wiring import open_bench, open_handback_folder, shop_copies


@click.command(name="export")
@click.argument("case", type=int)
@click.argument("folder", type=click.Path(path_type=Path, file_okay=False))
@click.option("--with-images", is_flag=True, help="Also the raw images of the drives.")
@click.option("--for-customer", is_flag=True, help="Leave out what is the shop's own.")
@click.pass_obj
def export(screen: Screen, case: int, folder: Path, with_images: bool, for_customer: bool) -> None:
    """Write everything of CASE into FOLDER, in open formats.

    FOLDER must not exist yet, unless an interrupted export of the same case is to go on there. It becomes a
    bag (RFC 8493) whose data/README.txt explains every file. --for-customer is for somebody who asks what is
    kept of them.
    """
    with screen.stoppable() as stop, open_bench(screen.home, tell=screen.tell, stop=stop) as bench:
        done = export_case(
            bench, case, folder, open_handback_folder, with_images=with_images, for_customer=for_customer
        )
    screen.answer(export_json(case, done), _export_text(case, done))
    if done.missing:
        sys.exit(EXIT_INCOMPLETE)


def _export_text(case: int, done: Exported) -> str:
    lines = [wrapped(f"Case {case} is exported to {done.folder}"), f"  {export_size(done)}"]
    if done.entries:
        lines += ["  its custody log ends with", wrapped(Head(done.entries, done.head).text, "    ")]
    lines += [wrapped(one, "  ") for one in export_left_out(done)]
    lines.append(wrapped(f"Next: {wording.called_as()} handback check {done.folder}"))
    return "\n".join(lines)


@click.command(name="forget")
@click.argument("case", type=int)
@click.option("--reason", default="", help="Why; it is kept, so it must name nobody.")
@click.option("--yes", is_flag=True, help="Do it; without, only what would go and stay is listed.")
@click.pass_obj
def forget_(screen: Screen, case: int, reason: str, yes: bool) -> None:
    """Forget CASE: what names a person goes for good, what was learned stays.

    Only a closed case of which neither copies nor things of the customer are held any more. Stopped
    anywhere, the same command finishes.
    """
    with open_bench(screen.home, tell=screen.tell) as bench:
        if not yes:
            plan = plan_forgetting(bench, shop_copies(screen.home), case)
            beyond = [*map(name_words, plan.elsewhere), *out_of_reach(last_save(bench))]
            screen.answer(_plan_json(plan, beyond), _plan_text(plan, beyond))
            return
        done = forget(bench, shop_copies(screen.home), case, reason)
        last = last_save(bench)
    screen.answer(
        {"case": case, "forgotten": True, "at": done.at, "custody_head": _head(done)},
        _forgotten_text(done, out_of_reach(last)),
    )


def _head(done: Forgotten) -> str | None:
    return Head(done.entries, done.head).text if done.entries else None


def _forgotten_text(done: Forgotten, beyond: Sequence[str]) -> str:
    lines = [wrapped(f"Case {done.case} is forgotten. The ledger names the customer no more.")]
    if done.entries:
        lines += [
            wrapped(
                "The head of its custody log stays; a log that the customer holds can be checked against it:"
            ),
            wrapped(Head(done.entries, done.head).text, "  "),
        ]
    lines += ["Not reached, or left on purpose:", *(wrapped(f"- {one}", "  ", "  ") for one in beyond)]
    return "\n".join(lines)


def _plan_json(plan: ForgetPlan, beyond: Sequence[str]) -> dict[str, object]:
    return {
        "case": plan.case.number,
        "forgotten": False,
        "refused": [{"what": what, "next_step": step} for what, step in plan.refusals],
        "folders": [
            {"folder": name_words(name), "files": files, "size_bytes": size}
            for name, (files, size) in plan.by_folder.items()
        ],
        "copies": [name_words(one.path) for one in plan.copies],
        "custody_entries": plan.entries,
        "events": plan.events,
        "images": plan.images,
        "bays": [one.bay for one in plan.bays],
        "notes": [
            {"kind": str(one.kind), "going": one.going, "staying": one.staying, "why": one.why}
            for one in plan.notes
        ],
        "stock": list(plan.stock),
        "out_of_reach": list(beyond),
    }


def _plan_text(plan: ForgetPlan, beyond: Sequence[str]) -> str:
    called, case = wording.called_as(), plan.case.number
    lines = [
        wrapped(f"Forgetting case {case} ({plan.case.customer}) would remove for good:"),
        *(wrapped(f"- {one}", "  ", "  ") for one in going(plan, name_words)),
        "It would keep:",
        *(wrapped(f"- {one}", "  ", "  ") for one in staying(plan)),
        "Not reached, or left on purpose:",
        *(wrapped(f"- {one}", "  ", "  ") for one in beyond),
        wrapped(BILLS),
    ]
    for what, step in plan.refusals:
        step = step.replace("mendbay", called, 1)
        lines += ["", wrapped(f"NOT NOW: {what}"), wrapped(f"Next: {step}")]
    if not plan.refusals:
        lines += ["", f"Next: {called} case export {case} FOLDER, if anybody may want it"]
        lines.append(f'      {called} case forget {case} --yes --reason "..."')
    return "\n".join(lines)


COMMANDS: tuple[click.Command, ...] = (export, forget_)

"""`mendbay rom`: reads of a board's ROM, and its transfer to another chip."""

from __future__ import annotations

import functools
import sys
from collections.abc import Callable
from pathlib import Path
from typing import Any

import click

from mendbay.board.flash_bus import SupplyQuestion, WhySupply
from mendbay.board.flash_id import ChipFacts, Supply, size_text
from mendbay.board.rom_map import map_words
from mendbay.board.rom_reads import GO_ON, Verdict
from mendbay.board.rom_vote import MOST_READS
from mendbay.board.transfer_plan import FEWEST_READS, Padding, Purpose, Role
from mendbay.core.errors import EXIT_INCOMPLETE
from mendbay.core.quantity import chance_text, count_text
from mendbay.faces import wording
from mendbay.faces.board_words import (
    CHIP,
    chip_json,
    chip_sentences,
    customer_sentences,
    plan_sentence,
    proven_json,
    read_json,
    rules_sentence,
)
from mendbay.faces.cli.asked_option import CUSTOMER_ASKED
from mendbay.faces.cli.caution_words import say_cautions
from mendbay.faces.cli.screen import Screen, table, wrapped
from mendbay.faces.family_words import (
    family_head,
    family_json,
    few_words,
    left_out_of_family,
    revisions_of_family,
    rules_of_family,
)
from mendbay.jobs.certify_rom import certificates_kept, certified_transfer
from mendbay.jobs.chip_work_options import LEAST_VOLTS, MOST_VOLTS
from mendbay.jobs.clip import Clip, said_before
from mendbay.jobs.judge_rom import JudgedRom, judge_rom
from mendbay.jobs.learn_rom import (
    BrokenFamily,
    CheckedRom,
    LearnedFamily,
    check_rom,
    failed_sentences,
    families,
    judge_by_family,
    learn_family,
    unlearn_dump,
)
from mendbay.jobs.remembered import remembered
from mendbay.jobs.rom_doubts import fitting_family
from mendbay.jobs.rom_reads import (
    RomRead,
    doubts_of_sizes,
    keep_files,
    read_chip,
    rom_reads,
    withdraw_sitting,
)
from mendbay.jobs.transfer_rom import Planned, Proven, carry_out, give_up, plan_transfer, tell_plan
from mendbay.wiring import (
    BenchProgrammers,
    open_bench,
    rom_picture,
    shop_files,
    transfer_certificate,
    transfer_journals,
    write_new_file,
)

"""Dumps from which rules were never seen to fail a sound dump by more than chance (0072)."""
SHOWN = 12


def _real_supplies(
    context: click.Context, option: click.Parameter, volts: tuple[float, ...]
) -> tuple[float, ...]:
    for one in volts:
        if not LEAST_VOLTS <= one <= MOST_VOLTS:  # not a number is refused too
            raise click.BadParameter(
                f"{one:g} V is no supply of a serial flash: {LEAST_VOLTS} to {MOST_VOLTS} V.", context, option
            )
    return volts


ROLES = click.Choice([one.value for one in Role])
TARGETS = click.Choice([one.value for one in Role if one is not Role.PATIENT])
OPTIONS = (
    click.option(
        "--programmer",
        default="ftdi://ftdi:232h/1",
        show_default=True,
        help="The adapter, or simulated:FILE for a chip to practise on (docs/formats/simulated-chip.md).",
    ),
    click.option(
        "--supply-checked",
        "volts",
        multiple=True,
        type=float,
        callback=_real_supplies,
        help="A supply you have set and checked, in volts; instead of being asked. Repeat it.",
    ),
    click.option(
        "--marked-3v",
        is_flag=True,
        help="You have read from its marking and data sheet that it is a 3 V part.",
    ),
)
FAMILY = click.option(
    "--family", default="", help="The learned family whose rules the patient's dump is held against."
)
YES = click.option("--yes", is_flag=True, help="Do not ask whether the right chip is on the clip.")
ROLES_CHECKED = click.option(
    "--roles-checked",
    is_flag=True,
    help="On your word each chip was read under its own name; for drives of which no serial number tells.",
)


def on_clip(command: Callable[..., None]) -> Callable[..., None]:
    """Gives a command the options of whatever works on a chip; it gets the clip they come to."""

    @functools.wraps(command)
    def with_clip(
        screen: Screen, *words: Any, programmer: str, volts: tuple[float, ...], marked_3v: bool, **rest: Any
    ) -> None:
        marking = Supply.HIGH if marked_3v else Supply.UNKNOWN
        asking = _asking(screen, volts, marked_3v)
        command(screen, *words, clip=Clip(BenchProgrammers(), programmer, asking, marking), **rest)

    for option in reversed(OPTIONS):
        with_clip = option(with_clip)
    return with_clip


@click.group(name="rom")
def command() -> None:
    """Judge reads of a board's ROM; move it to another chip.

    A chip named as the patient's, or holding its data, is only ever read. Nothing is written
    without a plan that was checked against agreeing reads of both chips.
    """


@command.command(name="keep")
@click.argument("case", type=int)
@click.argument("bay")
@click.argument("role", type=ROLES)
@click.argument("files", nargs=-1, required=True, type=click.Path(path_type=Path))
@click.option("--chip-id", default="", help='What the programmer showed as the chip\'s id, like "ef 40 12".')
@click.pass_obj
def keep(screen: Screen, case: int, bay: str, role: str, files: tuple[Path, ...], chip_id: str) -> None:
    """Keep dumps of a chip that any programmer made.

    All FILES are reads of one sitting: the clip was not moved between them.
    """
    with open_bench(screen.home, tell=screen.tell) as bench:
        reads = keep_files(bench, case, bay, Role(role), files, chip_id)
    doubts, called = doubts_of_sizes(reads), wording.called_as()
    lines = [_reads_text(reads), *(wrapped(f"DOUBTFUL: {one}") for one in doubts)]
    if doubts:
        lines.append("If this is no dump of that chip, take it back:")
        lines.append(f"  {called} rom withdraw {case} {bay} {role} {reads[0].sitting} REASON")
    lines.append(f"Next: {called} rom judge {case} {bay} {role}")
    screen.answer({"reads": [read_json(one) for one in reads], "doubts": list(doubts)}, "\n".join(lines))
    if doubts:
        sys.exit(EXIT_INCOMPLETE)


@command.command(name="withdraw")
@click.argument("case", type=int)
@click.argument("bay")
@click.argument("role", type=ROLES)
@click.argument("sitting", type=int)
@click.argument("reason")
@click.pass_obj
def withdraw(screen: Screen, case: int, bay: str, role: str, sitting: int, reason: str) -> None:
    """Take back a SITTING of reads that is not of that chip.

    The files and the record stay; custody tells when, who and why. A plan that rests on it is refused.
    """
    with open_bench(screen.home, tell=screen.tell) as bench:
        gone = withdraw_sitting(bench, transfer_journals(screen.home), case, bay, Role(role), sitting, reason)
        folder = bench.images.folder(bench.ledger.case(case)) / gone[0].file.path.rpartition("/")[0]
    screen.answer(
        {"reads": [read_json(one) for one in gone]},
        wrapped(
            f"Sitting {sitting} ({role}, {wording.counted(len(gone), 'read')}) counts no longer. "
            f"The files lie as before in {folder}"
        )
        + f"\nNext: {wording.called_as()} rom show {case} {bay}",
    )


@command.command(name="read")
@click.argument("case", type=int)
@click.argument("bay")
@click.argument("role", type=ROLES)
@click.option("--times", default=3, show_default=True, help="How many whole reads.")
@click.pass_obj
@on_clip
def read(screen: Screen, case: int, bay: str, role: str, times: int, clip: Clip) -> None:
    """Read the chip of BAY through an adapter, several times.

    It gets the lowest supply first, and none that was not confirmed.
    """
    with open_bench(screen.home, tell=screen.tell) as bench:
        remembered(bench, case)
        say_cautions(screen, CHIP)
        reads, facts = read_chip(bench, clip, case, bay, Role(role), times)
    lines = [
        _chip_text(facts),
        _reads_text(reads),
        f"Next: {wording.called_as()} rom judge {case} {bay} {role}",
    ]
    screen.answer({"chip": chip_json(facts), "reads": [read_json(one) for one in reads]}, "\n".join(lines))


@command.command(name="judge")
@click.argument("case", type=int)
@click.argument("bay")
@click.argument("role", type=ROLES)
@click.option(
    "--reference", type=click.Path(path_type=Path),
    help="A sound dump of the same board family, to compare with.",
)  # fmt: skip
@FAMILY
@click.option("--map", "with_map", is_flag=True, help="What lies where in the dump.")
@click.option("--picture", type=click.Path(path_type=Path), help="Draw that into a new SVG file.")
@click.pass_obj
def judge(
    screen: Screen,
    case: int,
    bay: str,
    role: str,
    reference: Path | None,
    family: str,
    with_map: bool,
    picture: Path | None,
) -> None:
    """Say what the newest reads of a chip are worth.

    They are held against FAMILY, or else against the learned family they belong to. What went wrong
    with them is named; a question that is open, or a rule of the family that fails, ends it with exit code 3.
    """
    with open_bench(screen.home, tell=screen.tell) as bench:
        shop, found = shop_files(screen.home), ""
        if not family:
            found = fitting_family(bench, shop, case, bay, Role(role))
        if family or found:
            judged = judge_by_family(bench, shop, case, bay, Role(role), family or found, reference)
        else:
            judged = judge_rom(bench, case, bay, Role(role), reference)
    if picture is not None and judged.map is not None:
        write_new_file(picture, rom_picture(judged.map))
    belongs = f"\nHeld against the learned family {found}, to which it belongs." if found else ""
    screen.answer(_judged_json(judged), _judged_text(judged, case, bay, with_map) + belongs)
    if not judged.judgement.settled:
        sys.exit(EXIT_INCOMPLETE)


@command.command(name="learn")
@click.argument("name")
@click.argument("files", nargs=-1, required=True, type=click.Path(path_type=Path))
@click.option("--also-withdrawn", is_flag=True, help="Take dumps that were withdrawn for good again.")
@click.option(
    "--also-doubtful", is_flag=True, help="Take dumps that may not be good, such as an open case's."
)
@click.option("--in-its-place", is_flag=True, help="Put it in the place of a family of that name.")
@click.pass_obj
def learn(
    screen: Screen,
    name: str,
    files: tuple[Path, ...],
    also_withdrawn: bool,
    also_doubtful: bool,
    in_its_place: bool,
) -> None:
    """Learn the rules of a board family from good dumps.

    They are kept as NAME.

    What was kept as NAME before is moved beside it, with a number behind its name; if it judges and rests
    on other dumps, only with --in-its-place. A dump that is the patient's of an open case, or one of reads
    that differ, is refused.

    Dumps of several drives with the same code tell most: what they share, what is each drive's own, and
    which checks hold. Three dumps of 1 MiB take half a minute to a minute, some families several minutes.
    """
    with open_bench(screen.home, tell=screen.tell) as bench:
        learned, path = learn_family(
            bench,
            shop_files(screen.home),
            name,
            files,
            also_withdrawn=also_withdrawn,
            also_doubtful=also_doubtful,
            in_its_place=in_its_place,
        )
    screen.answer(family_json(learned, str(path)), _family_text(learned, str(path)))


@command.command(name="unlearn")
@click.argument("family")
@click.argument("dump")
@click.argument("reason")
@click.pass_obj
def unlearn(screen: Screen, family: str, dump: str, reason: str) -> None:
    """Take back that DUMP is a good one of FAMILY.

    DUMP is its file name, or how its SHA-256 begins.

    The family judges nothing from then on, until it is learned anew from the others.
    """
    with open_bench(screen.home, tell=screen.tell) as bench:
        learned, gone = unlearn_dump(bench, shop_files(screen.home), family, dump, reason)
    left = [one.name for one in learned.dumps or () if not one.withdrawn]
    screen.answer(
        family_json(learned, None),
        wrapped(f"{gone.name} is no longer taken for a good dump of {family}; {family} judges nothing now.")
        + "\n"
        + wrapped(f"It was also learned from: {', '.join(left) or 'nothing else'}.")
        + f"\nNext: {wording.called_as()} rom learn {family} DUMPS",
    )


@command.command(name="families")
@click.pass_obj
def families_(screen: Screen) -> None:
    """List the board families the shop has learned."""
    with open_bench(screen.home, tell=screen.tell) as bench:
        found, broken = families(bench, shop_files(screen.home))
    rows = [
        (
            one.name,
            size_text(one.family.size),
            str(one.family.dumps),
            str(len(one.family.revisions)),
            str(len(one.family.rules)),
            "no, a dump was withdrawn" if one.withdrawn else "yes",
        )
        for one in found
    ]
    rows += [(one.name, "", "", "", "", "no, its file is broken") for one in broken]
    lines = [
        table(sorted(rows), ("family", "size", "dumps", "revisions", "rules", "judges"), right=(1, 2, 3, 4))
        if rows
        else f"No family was learned yet.\nNext: {wording.called_as()} rom learn NAME DUMPS"
    ]
    lines += [wrapped(f"{_ended(one.trouble.what)} Next: {_ended(one.trouble.next_step)}") for one in broken]
    answers = [family_json(one, None) for one in found] + [_broken_json(one) for one in broken]
    screen.answer(sorted(answers, key=lambda one: str(one["name"])), "\n".join(lines))


@command.command(name="check")
@click.argument("case", type=int)
@click.argument("bay")
@click.argument("role", type=ROLES)
@click.argument("family")
@click.pass_obj
def check(screen: Screen, case: int, bay: str, role: str, family: str) -> None:
    """Hold the newest reads of a chip against a FAMILY.

    A patient's are held against the donor's as well.
    """
    with open_bench(screen.home, tell=screen.tell) as bench:
        checked = check_rom(bench, shop_files(screen.home), case, bay, Role(role), family)
    screen.answer(_checked_json(checked), _checked_text(checked, case, bay, role))
    if failed_sentences(checked.judgement):
        sys.exit(EXIT_INCOMPLETE)


@command.command(name="show")
@click.argument("case", type=int)
@click.argument("bay")
@click.pass_obj
def show(screen: Screen, case: int, bay: str) -> None:
    """List every read kept of the chips of BAY, and its certificates."""
    with open_bench(screen.home, tell=screen.tell) as bench:
        remembered(bench, case)
        reads = rom_reads(bench, case, bay, also_withdrawn=True)
        certificates = certificates_kept(bench, case, bay)
    text = _reads_text(reads) if reads else f"No ROM of bay {bay} was read yet."
    for one in {(each.role, each.sitting): each for each in reads if each.withdrawn}.values():
        text += "\n" + wrapped(f"Withdrawn, {one.role.value}, sitting {one.sitting}: {_ended(one.withdrawn)}")
    text += "".join(f"\n{wrapped(wording.certificate_words(one))}" for one in certificates)
    screen.answer(
        {
            "reads": [read_json(one) for one in reads],
            "certificates": [wording.certificate_json(one) for one in certificates],
        },
        f"{text}\nNext: {wording.called_as()} rom {_after_reads(reads, case, bay)}",
    )


def _after_reads(reads: tuple[RomRead, ...], case: int, bay: str) -> str:
    """The command that does what is next with the chips of a bay."""
    standing = {one.role for one in reads if not one.withdrawn}
    if Role.PATIENT not in standing:
        return f"read {case} {bay} patient"
    return f"plan {case} {bay} donor" if Role.DONOR in standing else f"judge {case} {bay} patient"


@command.command(name="plan")
@click.argument("case", type=int)
@click.argument("bay")
@click.argument("target", type=TARGETS)
@click.option("--fill", is_flag=True, help="Fill the rest of a larger chip with FF.")
@FAMILY
@click.option(
    "--in-spite",
    "reason",
    default="",
    help="Why the transfer is done in spite of what speaks against it.",
)
@click.pass_obj
def plan(screen: Screen, case: int, bay: str, target: str, fill: bool, family: str, reason: str) -> None:
    """Plan the transfer of a ROM, and check the plan.

    The patient's data goes to the TARGET's chip. The plan rests on the newest reads of both chips, each read
    at least twice in one sitting. The patient's dump is held against FAMILY, or else against the learned
    family it belongs to.
    """
    padding = Padding.FILL if fill else Padding.REFUSE
    with open_bench(screen.home, tell=screen.tell) as bench:
        shop, checked = shop_files(screen.home), None
        if family := family or fitting_family(bench, shop, case, bay):
            checked = check_rom(bench, shop, case, bay, Role.PATIENT, family)
        planned = plan_transfer(
            bench,
            transfer_journals(screen.home),
            case,
            bay,
            Role(target),
            padding=padding,
            checked=checked,
            override_reason=reason,
        )
    _answer_plan(screen, planned, case, bay)


@command.command(name="steps")
@click.argument("case", type=int)
@click.argument("bay")
@click.pass_obj
def steps(screen: Screen, case: int, bay: str) -> None:
    """Show the newest plan of BAY as steps."""
    with open_bench(screen.home, tell=screen.tell) as bench:
        planned = tell_plan(bench, shop_files(screen.home), transfer_journals(screen.home), case, bay)
    _answer_plan(screen, planned, case, bay)


SAME_CHIP = click.option(
    "--same-chip",
    is_flag=True,
    help="On your word this is the chip that was cut off, though its open blocks do not show it.",
)


@command.command(name="write")
@click.argument("case", type=int)
@click.argument("bay")
@YES
@ROLES_CHECKED
@SAME_CHIP
@click.option(
    "--patient-put-away",
    "put_away",
    is_flag=True,
    help="On your word the patient's chip is put away: a finished chip then counts as proven.",
)
@click.option(
    "--although-refused",
    default="",
    metavar="REASON",
    help="Write it although the customer refused that the ROM is moved; custody keeps the reason.",
)
@CUSTOMER_ASKED
@click.pass_obj
@on_clip
def write(
    screen: Screen,
    case: int,
    bay: str,
    yes: bool,
    roles_checked: bool,
    same_chip: bool,
    put_away: bool,
    although_refused: str,
    customer_asked: bool,
    clip: Clip,
) -> None:
    """Write the chip as planned, and prove it.

    It is read back twice. The same command goes on where it was cut off. Where no serial number tells whose
    chip is whose, a person's word is needed: you are asked, or give --roles-checked.
    """
    _carry_out(
        screen,
        case,
        bay,
        clip,
        yes,
        restore=False,
        same_chip=same_chip,
        put_away=put_away,
        roles_checked=roles_checked,
        although=although_refused,
        asked=customer_asked,
    )


@command.command(name="restore")
@click.argument("case", type=int)
@click.argument("bay")
@YES
@SAME_CHIP
@click.pass_obj
@on_clip
def restore(screen: Screen, case: int, bay: str, yes: bool, same_chip: bool, clip: Clip) -> None:
    """Put the backup back on a chip that was cut off.

    A finished transfer cannot be told from the patient's own chip, and is never overwritten. Nobody is asked
    whose chip is whose: the chip gets what it held before, also if the two were mixed up.
    """
    _carry_out(screen, case, bay, clip, yes, restore=True, same_chip=same_chip)


@command.command(name="certificate")
@click.argument("case", type=int)
@click.argument("bay")
@click.argument("file", type=click.Path(path_type=Path))
@click.option(
    "--of", type=click.Choice([one.value for one in Purpose]),
    help="The newest of this kind: a transfer, or a backup put back. Without it the newest of both.",
)  # fmt: skip
@click.option("--paper", type=click.Choice(["A4", "Letter"]), default="A4", show_default=True)
@click.option("--shop", default="", envvar="MENDBAY_SHOP", help="Name of the shop, for the foot of the page.")
@click.pass_obj
def certificate(
    screen: Screen, case: int, bay: str, file: Path, of: str | None, paper: str, shop: str
) -> None:
    """Write the certificate of BAY to a new PDF file.

    To print and sign, one page as a rule: what was done and proven, what it rests on, what speaks against it,
    and how anyone can check it. The file kept with the case stays the original. A transfer that was not
    proven has no certificate: exit code 61.
    """
    purpose = Purpose(of) if of else None
    with open_bench(screen.home, tell=screen.tell) as bench:
        facts = certified_transfer(bench, transfer_journals(screen.home), case, bay, purpose)
    made = transfer_certificate(facts, paper, shop, screen.home)
    write_new_file(file, made)
    what = "backup put back" if facts.purpose is Purpose.RESTORE else "transfer"
    screen.answer(
        {"path": str(file), "bytes": len(made)},
        f"The certificate of the {what}, {facts.certificate.finished_at}, in {file}.\n"
        "Next: print it, and have it signed.",
    )


@command.command(name="abandon")
@click.argument("case", type=int)
@click.argument("bay")
@click.argument("reason")
@click.pass_obj
def abandon(screen: Screen, case: int, bay: str, reason: str) -> None:
    """Give up a transfer that was cut off, if its chip is dead.

    The patient's dump and the chip's backup stay in the case, and another chip can be planned for.
    """
    with open_bench(screen.home, tell=screen.tell) as bench:
        plan = give_up(bench, transfer_journals(screen.home), case, bay, reason)
    screen.answer(
        {"job": plan.job, "given_up": True, "backup": plan.backup.name},
        wrapped(
            f"The transfer to the {plan.target.role.value}'s chip {plan.target.chip_name} is given up. What "
            f"is on that chip is parts of both: mark it. Its backup stays as {plan.backup.name}."
        )
        + f"\nNext: {wording.called_as()} rom read {case} {bay} {plan.target.role.value} --programmer NAME",
    )


def _carry_out(
    screen: Screen,
    case: int,
    bay: str,
    clip: Clip,
    yes: bool,
    restore: bool,
    same_chip: bool = False,
    put_away: bool = False,
    roles_checked: bool = False,
    although: str = "",
    asked: bool = False,
) -> None:
    shop, journals = shop_files(screen.home), transfer_journals(screen.home)
    with open_bench(screen.home, tell=screen.tell) as bench, screen.told_to_end():
        remembered(bench, case)
        say_cautions(screen, CHIP)
        planned = tell_plan(bench, shop, journals, case, bay)
        target = planned.plan.target
        doing = "BACKUP PUT BACK. " if restore else ""
        question = (
            f"{doing}Is the {target.role}'s chip on the clip ({target.chip_name}, "
            f"{size_text(target.size_bytes)}), and the patient's put away?"
        )
        refused = (
            planned.reasons and not restore
        )  # what speaks against a transfer need not hold up its undoing
        if not refused and not yes and not _confirmed(screen, question):
            screen.answer(
                {"written": False},
                "Nothing was written: nobody said that the right chip is on the clip (--yes).",
            )
            sys.exit(EXIT_INCOMPLETE)
        if planned.needs_word and not planned.reasons and not restore and not roles_checked:
            roles_checked = _confirmed(screen, _whose_question(planned))
        done = carry_out(
            bench,
            clip,
            shop,
            journals,
            case,
            bay,
            restore=restore,
            same_chip=same_chip,
            put_away=put_away,
            roles_checked=roles_checked,
            although=although,
            asked=asked,
            right_chip=True,  # said just now, or by --yes
        )
    certificate = done.certificate
    screen.answer(
        proven_json(done),
        _certificate_text(done, case, bay),
    )
    if certificate.may_be_patients:
        sys.exit(EXIT_INCOMPLETE)


def _whose_question(planned: Planned) -> str:
    plan, role = planned.plan, planned.plan.target.role.value
    return (
        f"{' '.join(planned.remarks)} What will be overwritten was read as the {role}'s "
        f"({plan.backup.name}). On your word, is {plan.patient.name} from the patient's chip, and that chip "
        "not the one on the clip?"
    )


def _asking(screen: Screen, checked: tuple[float, ...], marked_3v: bool) -> Callable[[SupplyQuestion], bool]:
    """Asks about the chip's supply: the person at the keyboard, or what was said on the command line."""

    said: set[str] = set()

    def ask(question: SupplyQuestion) -> bool:
        for caution in question.cautions:
            if caution not in said:  # each is read once, whatever supplies follow
                screen.say(wrapped(f"CAUTION: {caution}", "  "))
        said.update(question.cautions)
        if checked and (marked_3v or question.why is not WhySupply.NO_ANSWER):
            return said_before(checked, marked_3v)(question)
        return _confirmed(screen, f"{question.sentence} Is it done and checked?")

    return ask


def _confirmed(screen: Screen, question: str) -> bool:
    """A person's yes; where nobody can be asked, no."""
    if screen.as_json or not sys.stdin.isatty():
        return False
    return click.confirm(wrapped(question, hang=""), default=False, err=True)


# ---------------------------------------------------------------------- words


def _reads_text(reads: tuple[RomRead, ...]) -> str:
    rows = [
        (
            one.role.value,
            str(one.sitting),
            one.file.path.rpartition("/")[2][:22],
            size_text(one.file.size_bytes),
            one.file.sha256[:12],
            "(withdrawn)" if one.withdrawn else _cut(one.origin, 14),
        )
        for one in reads
    ]
    return table(rows, ("chip", "sitting", "read", "size", "SHA-256 begins", "from"), right=(1, 3))


def _cut(text: str, most: int) -> str:
    return text if len(text) <= most else f"{text[: most - 1]}…"


def _judged_text(judged: JudgedRom, case: int, bay: str, with_map: bool) -> str:
    found = judged.judgement
    said = wording.counted(len(judged.reads), "read")
    asked = ", ".join(dict.fromkeys(str(one.kind) for one in found.questions))
    open_ = f", but a question is open: {asked}" if asked and found.verdict is not Verdict.UNUSABLE else ""
    lines = [f"{said}: {found.verdict}{open_}."]
    lines += [wrapped(_ended(one), "  ") for one in found.reasons]
    if found.vote is not None and found.vote.disagreeing:
        rows = [
            (f"{run.start:06X}h", f"{run.stop - 1:06X}h", count_text(run.bits))
            for run in found.vote.bits.runs()[:SHOWN]
        ]
        lines.append(table(rows, ("from", "to", "bits that differ"), right=(2,)))
        more = len(found.vote.bits.runs()) - SHOWN
        if more > 0:
            lines.append(f"and {count_text(more)} more places (--json lists all)")
    if judged.voted is not None:
        lines.append(
            wrapped(
                f"The voted dump is kept as {judged.voted.path}, to compare with; a transfer rests on whole "
                "reads that agree, never on a vote."
            )
        )
    if with_map and judged.map is not None:
        lines += ["", *(wrapped(one) for one in map_words(judged.map))]
    lines += [wrapped(f"Next: {_ended(found.next_step)}"), f"  {_after_judging(judged, case, bay)}"]
    return "\n".join(lines)


def _after_judging(judged: JudgedRom, case: int, bay: str) -> str:
    """The command that does what a judgement advises."""
    found, role, called = judged.judgement, judged.reads[0].role, wording.called_as()
    if found.next_step == GO_ON:
        target = Role.DONOR if role is Role.PATIENT else role
        return f"{called} rom plan {case} {bay} {target.value}"
    if not judged.reads[0].by_mendbay:
        return f"{called} rom keep {case} {bay} {role.value} FILES"
    needed = found.vote.reads_needed() if found.vote is not None and not found.settled else None
    times = f" --times {needed}" if needed is not None and len(judged.reads) < needed <= MOST_READS else ""
    return f"{called} rom read {case} {bay} {role.value}{times}"


def _ended(text: str) -> str:
    return text if text.endswith(".") else f"{text}."


def _judged_json(judged: JudgedRom) -> dict[str, object]:
    found = judged.judgement
    vote = found.vote
    return {
        "verdict": str(found.verdict),
        "settled": found.settled,
        "reads": [one.file.path for one in judged.reads],
        "set_aside": [judged.reads[at].file.path for at in found.set_aside],
        "reasons": list(found.reasons),
        "next_step": found.next_step,
        "faults": [
            {
                "kind": str(one.kind),
                "standing": str(one.standing),
                "what": one.what,
                "next_step": one.next_step,
                "figures": dict(one.figures),
                "where": [list(span) for span in one.where],
                "reads": list(one.reads),
            }
            for one in found.faults
        ],
        "vote": None
        if vote is None
        else {
            "disagreeing_bits": vote.disagreeing,
            "undecided_bits": vote.undecided,
            "expected_wrong_bits": float(vote.expected_wrong),
            "exact_probability": float(vote.exact_probability),
            "places": [{"start": run.start, "stop": run.stop, "bits": run.bits} for run in vote.bits.runs()],
        },
        "voted": judged.voted.path if judged.voted else None,
        "map": None
        if judged.map is None
        else {
            "block_bytes": judged.map.block,
            "filler_share": round(judged.map.filler_share, 4),
            "stretches": [
                {
                    "start": one.start,
                    "stop": one.stop,
                    "grain": str(one.grain),
                    "entropy_bits": round(one.entropy, 3),
                    "repeats": one.repeats,
                }
                for one in judged.map.stretches
            ],
        },
    }


def _family_text(learned: LearnedFamily, path: str) -> str:
    name = learned.name
    lines = [family_head(learned)]
    if few := few_words(learned):
        lines.append(wrapped(f"CAUTION: {few}", "  "))
    lines += [wrapped(one, "  ") for one in rules_of_family(learned)]
    lines += [f"  {one}" for one in revisions_of_family(learned)]
    lines += [wrapped(one, "  ") for one in left_out_of_family(learned)]
    if learned.earlier is not None:
        lines.append(wrapped(f"The earlier {name} is now {learned.earlier}"))
    lines += [f"Kept as {path}", f"Next: {wording.called_as()} rom check CASE BAY patient {name}"]
    return "\n".join(lines)


def _broken_json(one: BrokenFamily) -> dict[str, object]:
    return {
        "name": one.name,
        "judges": False,
        "trouble": one.trouble.what,
        "next_step": one.trouble.next_step,
    }


def _checked_text(checked: CheckedRom, case: int, bay: str, role: str) -> str:
    found = checked.judgement
    lines = [
        f"Sound with probability {chance_text(found.sound)}, by family {checked.family} "
        f"({wording.counted(checked.dumps, 'known-good dump')})."
    ]
    lines += [wrapped(_ended(one[:1].upper() + one[1:]), "  ") for one in found.reasons]
    if checked.donor is not None:
        lines.append(wrapped(f"Beside the donor's: {_ended(checked.donor.reason)}", "  "))
    if failed_sentences(found):
        lines.append(f"Next: {wording.called_as()} rom judge {case} {bay} {role}, then read the chip again")
    else:
        lines.append(f"Next: {wording.called_as()} rom plan {case} {bay} donor --family {checked.family}")
    return "\n".join(lines)


def _checked_json(checked: CheckedRom) -> dict[str, object]:
    found, donor = checked.judgement, checked.donor
    return {
        "family": checked.family,
        "dumps": checked.dumps,
        "reads": [one.file.path for one in checked.reads],
        "sound": round(found.sound, 6),
        "revision": found.revision,
        "held": [one.name for one in found.held],
        "failed": [one.rule.name for one in found.failed],
        "differing_bytes": found.differing_bytes,
        "covered": round(found.covered, 4),
        "flip": None if found.flip is None else {"offset": found.flip.offset, "bit": found.flip.bit},
        "reasons": list(found.reasons),
        "donor": None
        if donor is None
        else {
            "same_code": donor.same_code,
            "differing_bytes": donor.differing_bytes,
            "reason": donor.reason,
        },
    }


def _chip_text(facts: ChipFacts) -> str:
    return "\n".join(wrapped(one) for one in chip_sentences(facts))


def _answer_plan(screen: Screen, planned: Planned, case: int, bay: str) -> None:
    called = wording.called_as()
    family = planned.plan.family
    lines = [wrapped(plan_sentence(planned.plan)), rules_sentence(planned.plan)]
    if planned.plan.override_reason:
        lines.append(wrapped(f"It is used in spite of what follows: {planned.plan.override_reason}"))
        lines += [wrapped(one, "  ") for one in planned.plan.failed_rules]
    lines += [wrapped(f"CAUTION: {one}") for one in planned.remarks]
    if planned.remarks and planned.remark_step:
        lines.append(wrapped(planned.remark_step.replace("mendbay ", f"{called} "), "  "))
    if planned.needs_word:
        lines.append(wrapped("Otherwise writing asks for a person's word (--roles-checked).", "  "))
    lines += [wrapped(one.replace("mendbay ", f"{called} ")) for one in customer_sentences(planned, case)]
    for number, step in enumerate(() if planned.restored else planned.steps, 1):
        lines.append(wrapped(f"{number}. {step.state}: {step.text}", "  "))
        if step.state != "done":
            lines += [wrapped(why, "       ") for why in step.why]
            lines += [wrapped(f"CAUTION: {one}", "       ") for one in step.cautions]
    if planned.reasons:
        lines += ["REFUSED, nothing can be written:", *(wrapped(one, "  ") for one in planned.reasons)]
        again = f" --family {family}" if family else ""
        lines += [
            wrapped(f"Next: {_first_step(planned, case, bay)}, then"),
            f"  {called} rom plan {case} {bay} {planned.plan.target.role.value}{again}",
        ]
    elif planned.restored:
        lines.append(f"Its backup was put back.\n{_after_restoring(case, bay)}")
    elif all(step.state == "done" for step in planned.steps):
        lines.append("Done and proven. Next: fit the board, and see whether the drive is detected.")
    else:
        lines.append(f"Next: {called} rom write {case} {bay}")
    screen.answer(_plan_json(planned), "\n".join(lines))
    if planned.reasons:
        sys.exit(EXIT_INCOMPLETE)


def _first_step(planned: Planned, case: int, bay: str) -> str:
    """What puts the first reason against a plan right."""
    reason, plan, called = planned.reasons[0], planned.plan, wording.called_as()
    role = plan.target.role.value
    read = f"{called} rom read {case} {bay}"
    for whose, of, reads in (
        ("patient's dump", "patient", plan.patient.reads),
        ("backup", role, plan.backup.reads),
    ):
        if reason.startswith(f"The {whose} is unverified"):
            why = "" if reads < FEWEST_READS and "differ" not in reason else "put the clip right and "
            return f"{why}read that chip at least {FEWEST_READS} times in one sitting ({read} {of})"
    if "already holds the patient's data" in reason:
        return f"put the {role}'s chip on the clip and read it ({read} {role})"
    if "mixed up" in reason:
        return (
            "take the sittings that are of the other chip back "
            f"({called} rom withdraw {case} {bay} ROLE SITTING REASON) and read both chips again"
        )
    if plan.failed_rules and not plan.override_reason and reason.startswith("Something speaks against"):
        return "read the chip anew, or give a reason to go on all the same (--in-spite REASON)"
    if "the plan allows no filling" in reason:
        return "give --fill, if the rest of the larger chip is to be filled with FF"
    return "put that right"


def _plan_json(planned: Planned) -> dict[str, object]:
    plan = planned.plan
    return {
        "family": plan.family or None,
        "failed": list(plan.failed_rules),
        "in_spite": plan.override_reason or None,
        "job": plan.job,
        "digest": plan.digest,
        "purpose": plan.purpose.value,
        "patient": {"name": plan.patient.name, "sha256": plan.patient.sha256, "reads": plan.patient.reads},
        "backup": {"name": plan.backup.name, "sha256": plan.backup.sha256, "reads": plan.backup.reads},
        "target": {
            "chip_id": plan.target.chip_id,
            "name": plan.target.chip_name,
            "size_bytes": plan.target.size_bytes,
            "volts": plan.target.volts,
            "role": plan.target.role.value,
        },
        "blocks": len(plan.steps),
        "refused_for": list(planned.reasons),
        "remarks": list(planned.remarks),
        "needs_word": planned.needs_word,
        "customer_not_asked": list(planned.not_asked),
        "customer_refused": planned.due.refused or None,
        "customer_to_be_asked_now": planned.due.asking or None,
        "steps": [
            {"text": one.text, "state": str(one.state), "why": list(one.why), "cautions": list(one.cautions)}
            for one in planned.steps
        ],
    }


def _after_restoring(case: int, bay: str) -> str:
    return f"Next, if the transfer is still wanted: {wording.called_as()} rom write {case} {bay}"


def _certificate_text(done: Proven, case: int, bay: str) -> str:
    one = done.certificate
    back = one.purpose == Purpose.RESTORE
    said = "The backup is put back and proven" if back else "Written and proven"
    if one.only_read:
        said = f"Nothing was written: the chip already holds {'its backup' if back else 'it'}"
    lines = [
        wrapped(f"{said}. {one.chip_name} reads back equal {len(one.read_back_sha256)} times."),
        "  SHA-256 of the content:",
        f"  {one.image_sha256}",
        f"  blocks changed: {count_text(one.blocks)}, pages programmed: {count_text(one.pages)}",
    ]
    if one.interruptions:
        done_then = f"; blocks done then: {one.earlier_blocks}" if one.earlier_blocks else ""
        lines.append(f"  it had been cut off before ({one.interruptions}){done_then}")
    if one.restored_before:
        lines.append(
            f"  its backup had been put back {wording.counted(one.restored_before, 'time')} before this"
        )
    if one.put_away:
        lines.append("  that it is not the patient's own chip rests on a person's word")
    if one.same_chip:
        lines.append("  that it is the chip that was cut off rests on a person's word")
    lines += [wrapped(remark, "  ") for remark in one.remarks]
    if one.roles_on_word:
        lines.append("  whose chip is whose rests on a person's word")
    if one.unsettled:
        lines.append(
            wrapped(
                "some blocks were cut off and could not be written anew: their cells may be weak", "  ", ""
            )
        )
    for whose, source in (("patient's dump", one.patient_read_from), ("backup", one.backup_read_from)):
        if source:
            lines.append(wrapped(f"the {whose} rests on {source}", "  "))
    if one.override_reason:
        lines.append(wrapped(f"used in spite of what follows: {one.override_reason}", "  "))
        lines += [wrapped(doubt, "    ") for doubt in one.failed_rules]
    called = wording.called_as()
    if one.may_be_patients:
        before = "The target was proven in an earlier run."
        kept = before if one.proves_chip else "No certificate is kept."
        if done.kept:
            kept += f" The certificate of that is kept with the case, {done.kept.path}, and told to custody."
        lines.append(
            wrapped(
                "This may be the patient's own chip: it holds the same, and nothing tells them apart. " + kept
            )
        )
        lines.append(
            "Next: put the patient's board away, the written chip on the clip, and\n  "
            + done.next_step.replace("mendbay", called, 1)
        )
        return "\n".join(lines)
    if done.kept:
        lines.append(
            wrapped(f"The certificate is kept with the case, {done.kept.path}, and told to custody.")
        )
    else:
        lines.append("The case keeps the certificate of the first proof; this look stands in custody.")
    lines += ["To print it:", f"  {called} rom certificate {case} {bay} FILE"]
    lines.append(
        _after_restoring(case, bay) if back else "Next: fit the board, and see whether the drive is detected."
    )
    return "\n".join(lines)

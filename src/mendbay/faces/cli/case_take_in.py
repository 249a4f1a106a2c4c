"""`mendbay case take-in`, `form`, `tell` and `untell`: the questions of take-in."""

from __future__ import annotations

import sys
from collections.abc import Sequence
from pathlib import Path

import click

from mendbay.case.consents import How
from mendbay.core.errors import Interrupted, UsageError
from mendbay.faces import wording
from mendbay.faces.cli.screen import Screen, wrapped
from mendbay.faces.cli.take_in_files import enter, make_page
from mendbay.faces.cli.take_in_talk import Ended, Talk
from mendbay.faces.cli.take_in_words import form_json, form_lines, how_to_answer, next_commands
from mendbay.files.wanted import seems_several
from mendbay.jobs.take_in_form import FilledForm, fill_form, tell, untell
from mendbay.wiring import open_bench

CASE = click.argument("case", type=int)
BAY = click.option("--bay", default="", help="Which drive, for what is asked of each.")
HOW = click.option(
    "--how",
    type=click.Choice([str(one).replace(" ", "-") for one in How]),
    default="in-person",
    show_default=True,
    help="How the customer gives consents.",
)


def how_of(text: str) -> How:
    """The way that an option names."""
    return How(text.replace("-", " "))


@click.command(name="take-in")
@click.argument("case", type=int, required=False)
@HOW
@click.option(
    "--page",
    type=click.Path(path_type=Path),
    metavar="FILE.html",
    help="Write the questions as a web page for a telephone, which saves the answers as a file.",
)
@click.option(
    "--answers", type=click.Path(path_type=Path), metavar="FILE.json", help="Enter what such a page saved."
)
@click.option("--replace", is_flag=True, help="With --answers: also in the place of other answers on record.")
@click.pass_obj
def take_in_(
    screen: Screen, case: int | None, how: str, page: Path | None, answers: Path | None, replace: bool
) -> None:
    """Ask all that is still open of CASE at the terminal; without CASE open a new one.

    What is asked first takes five minutes; the rest can wait. Every answer is kept at once.
    """
    if (page and answers) or (replace and not answers):
        raise UsageError(
            "These options do not go together.", "--page makes a page; --answers enters its file"
        )
    if page is not None:
        make_page(screen, case, page)
        return
    if answers is not None:
        enter(screen, case, answers, how_of(how), replace)
        return
    if screen.as_json or not sys.stdin.isatty():
        _without_terminal(screen, case)
        return
    with open_bench(screen.home, tell=screen.tell) as bench:
        talk = Talk(bench, screen, case, how_of(how))
        ended = talk.hold()
        if talk.case is None:
            screen.say("No case was opened.")
            return
        form = fill_form(bench, talk.case)
    screen.answer(form_json(form, form.entries), _told(form))
    if ended is Ended.STOPPED:
        raise Interrupted(
            "Stopped. What was answered is kept.", f"mendbay case take-in {talk.case} asks the rest."
        )


def _without_terminal(screen: Screen, case: int | None) -> None:
    """Lists what is open, where nobody can be asked."""
    if case is None:
        raise UsageError(
            "There is no terminal to ask at.",
            "mendbay case open CUSTOMER opens a case, mendbay case take-in N then lists what to ask.",
        )
    with open_bench(screen.home, tell=screen.tell) as bench:
        form = fill_form(bench, case)
    lines: list[str] = []
    for entry in form.open:
        lines.append(wrapped(("* " if entry.question.essential else "- ") + entry.words, "", "  "))
        lines.append(wrapped(how_to_answer(case, entry), "    "))
    head = "Open questions; those with * are the essentials." if lines else "Nothing is open."
    screen.answer(form_json(form, form.open), "\n".join([head, *lines]))


@click.command(name="form")
@CASE
@click.option("--all", "everything", is_flag=True, help="Also what nobody answered yet and can wait.")
@click.pass_obj
def form_(screen: Screen, case: int, everything: bool) -> None:
    """Show the form of CASE: what was answered, and what of the essentials is missing."""
    with open_bench(screen.home, tell=screen.tell) as bench:
        form = fill_form(bench, case)
    screen.answer(form_json(form, form.entries), _text(form, everything))


def _text(form: FilledForm, everything: bool) -> str:
    shown = [one for one in form.entries if everything or one.answered or one.question.essential]
    lines = [f"Case {form.case.number}: {form.case.kind or 'kind not said'}", *form_lines(form, shown)]
    waiting = len(form.open) - len(form.missing)
    if waiting and not everything:
        count = wording.counted(waiting, "question")
        lines.append(f"{count} more can wait: {wording.called_as()} case form {form.case.number} --all")
    return "\n".join([*lines, *_standing(form)])


def _told(form: FilledForm) -> str:
    return "\n".join([f"Case {form.case.number} is put down.", *_standing(form)])


def _standing(form: FilledForm) -> list[str]:
    """What is missing, and what comes next."""
    lines = [wrapped(f"STOP: {one}", "", "  ") for one in form.stops]
    if form.missing:
        lines.append(f"Missing of the essentials (*): {len(form.missing)}")
    else:
        lines.append("The essentials are complete.")
    first, *then = next_commands(form)
    return [*lines, f"Next: {first}", *(f"then: {one}" for one in then)]


@click.command(name="tell")
@CASE
@click.argument("question")
@click.argument("answer")
@BAY
@HOW
@click.pass_obj
def tell_(screen: Screen, case: int, question: str, answer: str, bay: str, how: str) -> None:
    """Answer one QUESTION of CASE's form; "not known" if there is no answer to be had.

    Several patterns of wanted files are ONE answer, with commas between: "*.xlsx, photos/*". It takes the
    place of what was wanted before.
    """
    with open_bench(screen.home, tell=screen.tell) as bench:
        before = bench.ledger.case(case).wanted if question == "wanted" else ()
        form = tell(bench, case, question, answer, bay, how_of(how))
        now = bench.ledger.case(case).wanted if question == "wanted" else ()
    _one(screen, form, question, bay, _wishes_lines(before, now))


def _wishes_lines(before: tuple[str, ...], now: tuple[str, ...]) -> list[str]:
    """What wishes told anew replaced, and which of them may be meant otherwise."""
    lines = [wrapped(f"It takes the place of: {', '.join(before)}")] if before and before != now else []
    return lines + [wrapped(wording.one_pattern_hint(one)) for one in now if seems_several(one)]


@click.command(name="untell")
@CASE
@click.argument("question")
@click.option("--reason", required=True, help="Why it counts no longer.")
@BAY
@click.pass_obj
def untell_(screen: Screen, case: int, question: str, reason: str, bay: str) -> None:
    """Take back what was answered to QUESTION by mistake; the record stays."""
    with open_bench(screen.home, tell=screen.tell) as bench:
        form = untell(bench, case, question, reason, bay)
    _one(screen, form, question, bay)


def _one(screen: Screen, form: FilledForm, question: str, bay: str, more: Sequence[str] = ()) -> None:
    """Answers with one question as it stands now, and what is missing."""
    entries = [one for one in form.entries if one.key == (question, bay)]
    lines = [*form_lines(form, entries), *more]
    screen.answer(form_json(form, entries), "\n".join([*lines, *_standing(form)]))


COMMANDS: tuple[click.Command, ...] = (take_in_, form_, tell_, untell_)

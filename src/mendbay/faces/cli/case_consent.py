"""`mendbay case consent`, `authority` and `picture`: the customer's word, the right to the data, pictures."""

from __future__ import annotations

from pathlib import Path

import click

from mendbay.case.authority import Whose
from mendbay.case.consents import By, Word, packaged_risks
from mendbay.core.errors import UsageError
from mendbay.core.quantity import bytes_text
from mendbay.faces import wording
from mendbay.faces.cli.case_take_in import CASE, HOW, how_of
from mendbay.faces.cli.screen import Screen, wrapped
from mendbay.faces.cli.take_in_words import (
    authority_json,
    consent_json,
    picture_json,
)
from mendbay.faces.consent_words import authority_words, consent_line
from mendbay.jobs.authority import authority_of, set_authority
from mendbay.jobs.case_pictures import (
    case_pictures,
    keep_pictures,
    say_what_picture_shows,
    take_picture_back,
)
from mendbay.jobs.consents import consents_of, give_word, risk_called
from mendbay.jobs.remembered import remembered
from mendbay.wiring import open_bench

WORDS = {"yes": Word.YES, "no": Word.NO, "ask": Word.ASK, "ask-first": Word.ASK}


@click.command(name="consent")
@CASE
@click.argument("consent", required=False)
@click.argument("word", type=click.Choice(list(WORDS)), required=False)
@click.option(
    "--by",
    type=click.Choice([str(one) for one in By]),
    default="customer",
    show_default=True,
    help="Whose word it is; another person's counts in writing only.",
)
@HOW
@click.pass_obj
def consent_(screen: Screen, case: int, consent: str | None, word: str | None, by: str, how: str) -> None:
    """List the customer's word on risky steps; with CONSENT and WORD put one down.

    With CONSENT alone, the words to read to the customer are shown. A later word stands before an earlier.
    """
    with open_bench(screen.home, tell=screen.tell) as bench:
        remembered(bench, case)
        if consent and word:
            give_word(bench, case, consent, WORDS[word], by=By(by), how=how_of(how))
        given = consents_of(bench, case)
    shown = [risk_called(consent)] if consent else list(packaged_risks().values())
    lines: list[str] = []
    for risk in shown:
        said = given.get(risk.id)
        lines.append(wrapped(consent_line(said) if said else f"{risk.title}: not asked yet", "", "  "))
        if consent and not word:
            lines += [wrapped(risk.ask, "  "), wrapped(risk.risk, "  ", "")]
        if consent and (not said or said.word is Word.NO):
            lines.append(wrapped(risk.kept, "  ", ""))
        if not consent:
            lines.append(f"  {risk.id}")
    called = wording.called_as()
    if not word:
        name = consent or "CONSENT"
        lines.append(f"Next: {called} case consent {case} {name} yes|no|ask --how phone")
    else:
        lines.append(f"Next: {called} triage show {case}")
    screen.answer(
        {
            "case": case,
            "consents": [consent_json(one) for one in given.values()],
            "not_asked": [one for one in packaged_risks() if one not in given],
        },
        "\n".join(lines),
    )


@click.command(name="authority")
@CASE
@click.argument("whose", type=click.Choice([str(one) for one in Whose]), required=False)
@click.option("--seen", is_flag=True, help="A paper that says so was seen, and no copy is kept.")
@click.option(
    "--document", type=click.Path(path_type=Path, dir_okay=False), help="A copy of that paper, to be kept."
)
@click.pass_obj
def authority_(screen: Screen, case: int, whose: str | None, seen: bool, document: Path | None) -> None:
    """Show whose data CASE is about; with WHOSE put it down."""
    if whose is None and (seen or document):
        raise UsageError("A paper alone says nothing.", f"Say whose data it is: {', '.join(Whose)}.")
    with open_bench(screen.home, tell=screen.tell) as bench:
        if whose is None:
            found = authority_of(bench, case)
        else:
            found = set_authority(bench, case, Whose(whose), seen=seen, document=document)
    lines = [wrapped(f"Case {case}: {authority_words(found)}", "", "  ")]
    if found and found.sha256:
        lines += ["SHA-256 of the copy:", f"  {found.sha256}"]
    if found is None:
        lines.append(f"Next: {wording.called_as()} case authority {case} {'|'.join(Whose)}")
    screen.answer({"case": case, **authority_json(found)}, "\n".join(lines))


@click.command(name="picture")
@CASE
@click.argument("files", nargs=-1, type=click.Path(path_type=Path))
@click.option("--of", default="", help="What they show, in a few words.")
@click.option(
    "--say", "shows", default="", metavar="NUMBER", help="One that is kept: --of says anew what it shows."
)
@click.option(
    "--take-back",
    "wrong",
    default="",
    metavar="NUMBER",
    help="One kept by mistake: its number or name.",
)
@click.option("--reason", default="", help="Why it is taken back; without the customer's name.")
@click.pass_obj
def picture_(
    screen: Screen, case: int, files: tuple[Path, ...], of: str, shows: str, wrong: str, reason: str
) -> None:
    """Keep pictures of what came in with CASE; without FILES list them.

    One that was kept by mistake is taken back with --take-back and --reason: its file is removed, and custody
    keeps its SHA-256 and the reason. With --say and --of it is put down anew what one shows.
    """
    if (wrong and (files or of)) or (reason and not wrong):
        raise UsageError(
            "Either pictures are kept, or one is taken back with a reason.",
            f"mendbay case picture {case} FILES, or --take-back NUMBER --reason REASON",
        )
    if shows and (files or wrong):
        raise UsageError(
            "What a picture shows is said of one that is kept.",
            f"mendbay case picture {case} --say NUMBER --of WORDS",
        )
    with open_bench(screen.home, tell=screen.tell) as bench:
        said = say_what_picture_shows(bench, case, shows, of) if shows else None
        gone = take_picture_back(bench, case, wrong, reason) if wrong else None
        made, left_out = keep_pictures(bench, case, files, of) if files else ((), ())
        pictures = case_pictures(bench, case)
    lines: list[str] = []
    if gone is not None:
        lines.append(wrapped(f"Taken back: {gone.kept.path}. The file is gone; custody keeps its SHA-256."))
    for one in made or ((said,) if said else pictures):
        named, of = f", {one.named}" if one.named else "", f": {one.of}" if one.of else ""
        lines.append(wrapped(f"{one.kept.path}{named}, {bytes_text(one.kept.size_bytes)}{of}"))
        lines.append(f"  SHA-256 {one.kept.sha256}")
    lines += [wrapped(f"left out: {one.name}: {one.why}. {one.next_step}".rstrip()) for one in left_out]
    if not (pictures or left_out):
        lines += ["No picture is kept.", f"Next: {wording.called_as()} case picture {case} FILES --of WORDS"]
    screen.answer(
        {
            "case": case,
            "pictures": [picture_json(one) for one in pictures],
            "left_out": [{"name": one.name, "why": one.why} for one in left_out],
            "taken_back": gone.kept.path if gone is not None else None,
            "said": said.kept.path if said is not None else None,
        },
        "\n".join(lines),
    )


COMMANDS: tuple[click.Command, ...] = (consent_, authority_, picture_)

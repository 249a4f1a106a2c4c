"""`mendbay case letter` and `message`: what the customer is told. Nothing is sent from here."""

from __future__ import annotations

from pathlib import Path

import click

from mendbay.core.errors import UsageError
from mendbay.faces import wording
from mendbay.faces.cli.screen import Screen
from mendbay.jobs.letters import Mail, Message, letter_mail, letter_pdf, letter_words, message_mail
from mendbay.wiring import open_bench, write_new_file


@click.command(name="letter")
@click.argument("case", type=int)
@click.option("--pdf", type=click.Path(path_type=Path), help="Write it as PDF to this new file.")
@click.option("--message", is_flag=True, help="Give it as the text of a message: subject, then body.")
@click.pass_obj
def letter(screen: Screen, case: int, pdf: Path | None, message: bool) -> None:
    """Tell the customer of CASE where the job stands, in plain words. Alone it is only shown."""
    if pdf is not None and message:
        raise UsageError("A letter is either printed or a message.", "Give --pdf or --message.")
    called = wording.called_as()
    with open_bench(screen.home, tell=screen.tell) as bench:
        if message:
            _answer_mail(screen, case, letter_mail(bench, case))
            return
        if pdf is None:
            text = letter_words(bench, case)
            facts = {"case": case, "text": text, "pdf": None, "kept": None, "sha256": None}
            hint = f"Next: {called} case letter {case} --pdf FILE   (or --message)"
            screen.answer(facts, f"{text}\n{hint}")
            return
        if pdf.exists():
            raise UsageError(f"{pdf} already exists.", "Choose another name.")
        made = letter_pdf(bench, case)
        write_new_file(pdf, made.pdf)
    screen.answer(
        {"case": case, "text": None, "pdf": str(pdf), "kept": made.path, "sha256": made.sha256},
        f"The letter is {pdf}\nA copy is kept with the case: {made.path}",
    )


@click.command(name="message")
@click.argument("case", type=int)
@click.argument("which", type=click.Choice([one.value for one in Message]))
@click.pass_obj
def message(screen: Screen, case: int, which: str) -> None:
    """Give the text of one of the usual messages for CASE: subject, then body."""
    with open_bench(screen.home, tell=screen.tell) as bench:
        _answer_mail(screen, case, message_mail(bench, case, Message(which)))


def _answer_mail(screen: Screen, case: int, mail: Mail) -> None:
    screen.answer(
        {"case": case, "subject": mail.subject, "body": mail.body}, f"Subject: {mail.subject}\n\n{mail.body}"
    )


COMMANDS: tuple[click.Command, ...] = (letter, message)

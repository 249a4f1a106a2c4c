"""Take-in by a page for the telephone, and the file of answers that comes back."""

from __future__ import annotations

import sys
from pathlib import Path

from mendbay.case.consents import How
from mendbay.core.errors import EXIT_INCOMPLETE
from mendbay.faces import wording
from mendbay.faces.cli.screen import Screen, wrapped
from mendbay.faces.cli.take_in_words import next_commands
from mendbay.jobs.take_in_answers import SIZE_LIMIT, Entered, Fate, Given, enter_answers, read_answer_file
from mendbay.jobs.take_in_page import page_for, page_for_new
from mendbay.wiring import file_outside, open_bench, take_in_page, write_new_file


def make_page(screen: Screen, case: int | None, path: Path) -> None:
    """Writes the page for a case, or for one that is not opened yet."""
    if case is None:
        page = page_for_new()
    else:
        with open_bench(screen.home, tell=screen.tell) as bench:
            page = page_for(bench, case)
    write_new_file(path, take_in_page(page).encode())
    number = f" {case}" if case else ""
    screen.answer(
        {"case": case, "page": str(path), "questions": len(page.questions)},
        "\n".join(
            [
                f"Written: {path}, {wording.counted(len(page.questions), 'question')}.",
                wrapped("Open it on a telephone or computer; it needs no network and sends nothing.", "", ""),
                f"Then: {wording.called_as()} case take-in{number} --answers FILE.json",
            ]
        ),
    )


def enter(screen: Screen, case: int | None, path: Path, how: How, replace: bool) -> None:
    """Enters a file of answers, and says what became of each."""
    file = read_answer_file(file_outside(path, SIZE_LIMIT))
    with open_bench(screen.home, tell=screen.tell) as bench:
        done = enter_answers(bench, case, file, how, replace=replace)
    screen.answer(_json(done), _text(done))
    if done.left_out:
        sys.exit(EXIT_INCOMPLETE)


def _asked(given: Given) -> dict[str, object]:
    return {"question": given.question, "bay": given.bay or None}


def _json(done: Entered) -> dict[str, object]:
    return {
        "case": done.form.case.number,
        "opened": done.opened,
        "entered": [_asked(one.given) for one in done.of(Fate.ENTERED)],
        "replaced": [_asked(one.given) for one in done.of(Fate.REPLACED)],
        "same": [_asked(one.given) for one in done.of(Fate.SAME)],
        "left_out": [
            {**_asked(one.given), "fate": str(one.fate), "why": one.why, "next_step": one.next_step}
            for one in done.left_out
        ],
        "missing": [{"question": one.question.id, "bay": one.bay or None} for one in done.form.missing],
    }


def _text(done: Entered) -> str:
    lines = [f"Case {done.form.case.number} was opened."] * done.opened
    for fate, head in (
        (Fate.ENTERED, "Entered"),
        (Fate.REPLACED, "Entered in the place of other answers"),
        (Fate.SAME, "On record already"),
    ):
        names = [_name(one.given) for one in done.of(fate)]
        lines += [wrapped(f"{head} ({len(names)}): {', '.join(names)}", "", "  ")] * bool(names)
    if not done.taken:
        lines.append("The file holds no answers.")
    if done.left_out:
        lines.append(f"Not entered ({len(done.left_out)}); the file stays as it is:")
    for one in done.left_out:
        lines.append(wrapped(f"- {_name(one.given)}: {one.why}", "", "  "))
        lines.append(wrapped(one.next_step, "  ", "  "))
    lines += [wrapped(f"STOP: {one}", "", "  ") for one in done.form.stops]
    if done.form.missing:
        lines.append(f"Missing of the essentials: {len(done.form.missing)}")
    else:
        lines.append("The essentials are complete.")
    return "\n".join([*lines, f"Next: {next_commands(done.form)[0]}"])


def _name(given: Given) -> str:
    return f"{given.question} (bay {given.bay})" if given.bay else given.question

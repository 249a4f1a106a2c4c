"""`mendbay demo`: the whole job on an invented box, from take-in to a verified hand-back."""

from __future__ import annotations

import time
from pathlib import Path

import click

from mendbay.core.errors import MendbayError, UsageError
from mendbay.core.quantity import count_text, duration_text
from mendbay.faces import wording
from mendbay.faces.cli.pair import pair_text
from mendbay.faces.cli.screen import Screen, printable
from mendbay.faces.reading_words import FILES_SHOWN, pair_json
from mendbay.jobs.events import Event, Said, Tell
from mendbay.jobs.hand_back import REPORT_HTML, REPORT_PDF
from mendbay.jobs.play_demo import DemoResult, play_demo
from mendbay.jobs.reading_terms import assumptions
from mendbay.wiring import DemoStage, check_handback, open_bench, open_handback_folder, papers

TRIES = 5
"""More than usual, since the demo's weak sectors give in the end and a refusal costs no real time."""


@click.command(name="demo")
@click.argument("place", metavar="[FOLDER]", required=False, type=click.Path(path_type=Path, file_okay=False))
@click.option(
    "--folder",
    type=click.Path(path_type=Path, file_okay=False),
    help="Where to play it, as FOLDER; must not exist.  [default: demo-DATE-TIME here]",
)
@click.option("--seed", default=1, show_default=True, help="Another seed makes other damage.")
@click.option(
    "--simulated", is_flag=True, help="Simulated drives, also where real block devices could be had."
)
@click.pass_obj
def command(screen: Screen, place: Path | None, folder: Path | None, seed: int, simulated: bool) -> None:
    """Play the whole job on two invented failing drives, in FOLDER.

    A pottery studio's two-bay box: bay 1's board was burnt by a wrong adapter, bay 2 fell behind weeks
    ago and is scratched. As root the drives are real failing block devices, otherwise simulated ones.
    """
    if place is not None and folder is not None:
        raise UsageError("The folder is given twice.", f"mendbay demo {place} is enough.")
    place = place or folder or Path(time.strftime("demo-%Y%m%d-%H%M%S"))
    if place.exists():
        raise UsageError(f"{place} already exists.", "Choose another folder, or remove this one first.")
    try:
        place.mkdir(parents=True)
    except OSError as trouble:
        raise UsageError(
            f"The folder {place} cannot be made: {trouble.strerror}.", "Choose another: mendbay demo FOLDER"
        ) from trouble
    stage = DemoStage(seed, simulated)
    started = time.monotonic()
    screen.say(f"Playing the whole job in {place.absolute()}")
    if stage.why_not_real:
        screen.say(f"The drives are simulated, not real block devices: {stage.why_not_real}.")
    with (
        screen.stoppable() as stop,
        open_bench(place, tell=_narrated(screen), stop=stop, assumed=assumptions(TRIES)) as bench,
    ):
        result = play_demo(bench, place, stage, open_handback_folder, papers(place), check_handback)
    seconds = time.monotonic() - started
    screen.answer(_json(result, seconds), _text(result, place, seconds))
    if result.unlisted or not result.check.is_valid:
        raise MendbayError(
            f"The demo failed: {len(result.unlisted)} files differ from the originals without being listed.",
            f"Report this with the seed {seed}.",
        )


def _narrated(screen: Screen) -> Tell:
    """What the job says belongs to the answer here, so it goes to standard output."""

    def tell(event: Event) -> None:
        if isinstance(event, Said):
            screen.say(event.text)
        else:
            screen.tell(event)

    return tell


def _text(result: DemoResult, place: Path, seconds: float) -> str:
    facts, back = result.back.facts, result.back.folder
    counts = ", ".join(
        f"{count_text(tally.files)} {word}" for word, tally in facts.tallies.items() if tally.files
    )
    lines = [
        "",
        pair_text(result.pair, result.case.number).rsplit("\n", 1)[0],
        "",
        f"Handed back: {wording.counted(facts.copied.files, 'file')} ({counts}), each read again and equal.",
    ]
    odd = [line for line in result.listing.lines if line.judgement and line.judgement.verdict != "whole"]
    for line in odd[:FILES_SHOWN]:
        assert line.judgement is not None
        lines.append(
            f"  {printable(line.entry.path)}: {wording.verdict_text(line.judgement, line.entry.size_bytes)}"
        )
    lines += [
        f"Against the originals: {count_text(result.whole_and_equal)} of {count_text(result.whole)} files "
        "reported whole are equal; "
        + (
            f"{count_text(len(result.unlisted))} differ and are NOT listed!"
            if result.unlisted
            else "no file differs without being listed."
        ),
        f"The bag is valid: {count_text(result.check.files)} files, every digest right.",
        f"All in {duration_text(seconds)}.",
        "",
        f"Report:    {back / REPORT_PDF}",
        f"As a page: {back / REPORT_HTML}",
        f"Files:     {back / 'data'}",
        "Next: open the report; then look at the case by hand:",
        f"  {wording.called_as()} --home {place} case show {result.case.number}",
        f"  {wording.called_as()} --home {place} files list {result.case.number} --damaged",
        "and take the ten-minute tour in README.md with two images of your own.",
        f"Everything the demo made lies in {place}; remove that folder when you have seen enough.",
    ]
    return "\n".join(lines)


def _json(result: DemoResult, seconds: float) -> dict[str, object]:
    return {
        "case": result.case.number,
        "seconds": round(seconds, 1),
        "pair": pair_json(result.pair),
        "folder": str(result.back.folder),
        "verdicts": {word: tally.files for word, tally in result.back.facts.tallies.items()},
        "bag_valid": result.check.is_valid,
        "whole": result.whole,
        "whole_and_equal_to_original": result.whole_and_equal,
        "unlisted_differences": [path.hex() for path in result.unlisted],
    }

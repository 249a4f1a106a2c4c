"""`mendbay bench save`, `check-saved` and `put-back`: the whole shop, copied while it is at work."""

from __future__ import annotations

import sys
from dataclasses import asdict
from pathlib import Path

import click

from mendbay.core.errors import EXIT_INCOMPLETE, BagInvalid
from mendbay.faces.cli.screen import Screen, wrapped
from mendbay.faces.saving_words import checked_words, put_back_words, saved_words
from mendbay.jobs.save_shop import check_saved, put_back, save_shop
from mendbay.jobs.saving_port import CopyFacts
from mendbay.wiring import ledger_copies, open_bench, saved_copies, tool

FOLDER = click.argument("folder", type=click.Path(path_type=Path, file_okay=False))


@click.command(name="save")
@FOLDER
@click.option("--without-images", is_flag=True, help="Leave out the images of drives; their logs are copied.")
@click.option("--although-gone", is_flag=True, help="Drop images from the copy that the shop has lost.")
@click.pass_obj
def save(screen: Screen, folder: Path, without_images: bool, although_gone: bool) -> None:
    """Copy the whole shop into FOLDER, while the bench and long jobs run.

    FOLDER must not be there yet, be empty, or hold an earlier save, of which what is new or changed is then
    copied. Stopped anywhere, an earlier copy is whole as it was, and the same command goes on.
    """
    with (
        ledger_copies(screen.home) as ledger,
        screen.stoppable() as stop,
        open_bench(screen.home, tell=screen.tell, stop=stop) as bench,
    ):
        done = save_shop(
            bench,
            saved_copies(folder, screen.home),
            ledger,
            tool(),
            with_images=not without_images,
            although_gone=although_gone,
        )
    facts = {
        "folder": str(done.folder),
        **_facts_json(done.facts),
        "whole": asdict(done.kept.whole),
        "copied": asdict(done.kept.copied),
        "removed_files": done.kept.removed,
        "remarks": list(done.remarks),
    }
    screen.answer(facts, _text(saved_words(done)))
    if done.lacking:
        sys.exit(EXIT_INCOMPLETE)


@click.command(name="check-saved")
@FOLDER
@click.pass_obj
def check(screen: Screen, folder: Path) -> None:
    """Read the saved copy in FOLDER and name all in it that is lacking or differs.

    Its ledger and the custody logs are held against themselves. Nothing in it is changed.
    """
    with screen.stoppable() as stop:
        found = check_saved(saved_copies(folder, screen.home), screen.tell, stop)
    facts = {
        "folder": str(folder),
        "is_whole": not found.faults,
        "copy": None if found.facts is None else _facts_json(found.facts),
        "whole": asdict(found.whole),
        "faults": [{"path": one.path, "words": one.words} for one in found.faults],
        "is_begun": found.is_begun,
    }
    screen.answer(facts, _text(checked_words(found, folder)))
    if found.faults:
        sys.exit(BagInvalid.exit_code)


@click.command(name="put-back")
@FOLDER
@click.option("--set-aside", is_flag=True, help="Rename a shop that is there; nothing may use it.")
@click.pass_obj
def put(screen: Screen, folder: Path, set_aside: bool) -> None:
    """Put the saved copy in FOLDER where the shop's folder is not (--home or MENDBAY_HOME).

    Nothing is overwritten. Every file is held against its sum on the way, and the folder gets its name when
    all of it is there.
    """
    with screen.stoppable() as stop:
        done = put_back(
            saved_copies(folder, screen.home),
            lambda: open_bench(screen.home, tell=screen.tell),
            screen.tell,
            stop,
            set_aside=set_aside,
        )
    facts = {
        "home": str(done.home),
        "aside": None if done.aside is None else str(done.aside),
        "copy": _facts_json(done.facts),
        "whole": asdict(done.whole),
    }
    screen.answer(facts, _text(put_back_words(done)))


def _facts_json(facts: CopyFacts) -> dict[str, object]:
    return {
        "made_at": facts.made_at,
        "who": facts.who,
        "tool": facts.tool,
        "with_images": facts.with_images,
        "lacking": list(facts.remarks),
    }


def _text(sentences: list[str]) -> str:
    return "\n".join(wrapped(one) for one in sentences)

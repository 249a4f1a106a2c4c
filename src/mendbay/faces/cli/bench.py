"""`mendbay bench`: the shop itself: its papers and settings."""

from __future__ import annotations

import click

from mendbay.faces.cli.bench_lessons import lessons
from mendbay.faces.cli.screen import Screen, table, wrapped
from mendbay.wiring import own_papers, shop_files


@click.group(name="bench")
def command() -> None:
    """The shop's own settings and papers."""


@command.command(name="papers")
@click.option("--copy", "copied", default="", metavar="NAME", help="Put this wording where you can edit it.")
@click.pass_obj
def papers(screen: Screen, copied: str) -> None:
    """List the wordings of papers and letters, or put one where it can be edited.

    A wording of your own stands before ours; delete its file to have ours again. docs/formats/papers.md
    explains how they are written.
    """
    files = shop_files(screen.home)
    if copied:
        path, earlier = own_papers(screen.home).copy(copied)
        lines = [f"Edit {path}", f"What was there is now {earlier}" if earlier else ""]
        screen.answer({"path": str(path)}, "\n".join(wrapped(one) for one in lines if one))
        return
    names, own = own_papers(screen.home).names(), set(files.names("papers"))
    rows = [(one, "your own" if one in own else "ours") for one in names]
    screen.answer([{"paper": one, "own": one in own} for one in names], table(rows, ("paper", "wording")))


command.add_command(lessons)

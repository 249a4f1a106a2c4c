"""What every command answers that is asked of a case that was forgotten."""

from __future__ import annotations

from collections.abc import Iterator
from pathlib import Path

import click

from mendbay.core.errors import CaseForgotten, LedgerError
from mendbay.faces.cli.main import command
from support.answers import Run

TOLD = {
    "triage show",
    "triage signs",
    "board sheet",
    "board show",
    "donor find",
}
"""What stays of a forgotten case is told: how it ended, what was seen and measured, what fits its model."""
LISTS = {
    "case form",
    "case take-in",
    "case items",
    "case hand-overs",
    "case quotes",
    "case payments",
    "case letter",
    "case show",
    "case custody",
    "case forget",
    "case consent",
    "case erase-plan",
    "rom show",
    "pair look",
    "files list",
}
"""Commands that would tell an empty list of it, as if it never had been."""


def of_a_case(group: click.Group, path: tuple[str, ...] = ()) -> Iterator[tuple[str, click.Command]]:
    """Every command that takes a case, with its name."""
    context = click.Context(group)
    for name in group.list_commands(context):
        found = group.get_command(context, name)
        if isinstance(found, click.Group):
            yield from of_a_case(found, (*path, name))
        elif found is not None and any(one.name == "case" for one in arguments(found)):
            yield " ".join((*path, name)), found


def arguments(found: click.Command) -> list[click.Argument]:
    return [one for one in found.params if isinstance(one, click.Argument)]


def words_for(found: click.Command, folder: Path) -> Iterator[str]:
    """Words that the command takes, case 1 first of all."""
    for one in arguments(found):
        if one.name == "case":
            yield "1"
        elif isinstance(one.type, click.Choice):
            yield str(getattr(one.type.choices[0], "value", one.type.choices[0]))
        elif isinstance(one.type, click.Path):
            yield str(folder / ("new" if one.name == "folder" else "some.bin"))
        elif one.required:
            yield "1"
    for option in found.params:
        if isinstance(option, click.Option) and option.required:
            yield option.opts[0]
            choices = option.type.choices if isinstance(option.type, click.Choice) else ("1",)
            yield str(getattr(choices[0], "value", choices[0]))


def test_every_command_that_takes_a_case(run: Run, tmp_path: Path) -> None:
    (tmp_path / "some.bin").write_bytes(b"\xff" * 65536)
    for words in (
        ("case", "bay", "--amend", "1", "1=AL20-HX4/K-0113-77"),
        ("triage", "tell", "1", "sound", "clicks", "--bay", "1"),
        ("case", "release", "1", "1", "2", "--to", "customer"),
        ("case", "close", "1", "--found", "heads:1", "--end", "sent-on", "--data", "none"),
        ("case", "forget", "1", "--yes", "--reason", "keeping time over"),
    ):
        done = run(*words)
        assert done.returncode == 0, done.stderr
    codes = {}
    for name, found in of_a_case(command):
        done = run(*name.split(), *words_for(found, tmp_path))
        codes[name] = done.returncode
        said = (done.stdout + done.stderr).replace("It has: none yet", "")  # the shop, families of chips
        never = " yet" in said
        assert name in TOLD or not never, f"{name} tells that it never was: {said}"
    assert len(codes) > 60, "the walk has something to walk over"
    told = {name for name, code in codes.items() if code in (0, 3)}
    assert told == TOLD
    assert {codes[name] for name in LISTS} == {CaseForgotten.exit_code}
    assert LedgerError.exit_code not in codes.values(), "what stays can be read"
    assert 1 not in codes.values()

"""What every command answers that is asked of a case that was forgotten."""

from __future__ import annotations

from collections.abc import Iterator
from pathlib import Path

import click

from mendbay.core.errors import CaseForgotten, LedgerError
from mendbay.faces.cli.main import command
from support.answers import Run

TOLD = {"board show"}
"""What stays of a forgotten case is told: what was seen of its boards."""
LISTS = {
    "triage show",
    "triage signs",
    "board sheet",
    "donor find",
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


def options_with_files(found: click.Command, folder: Path) -> Iterator[str]:
    """Every option that takes a file or folder, with one; those that are required stand there already."""
    for option in found.params:
        if isinstance(option, click.Option) and isinstance(option.type, click.Path) and not option.required:
            yield option.opts[0]
            yield str(folder / "some.bin")


def forget_case(run: Run) -> None:
    for words in (
        ("case", "bay", "--amend", "1", "1=AL20-HX4/K-0113-77"),
        ("triage", "tell", "1", "sound", "clicks", "--bay", "1"),
        ("case", "release", "1", "1", "2", "--to", "customer"),
        ("case", "close", "1", "--found", "heads:1", "--end", "sent-on", "--data", "none"),
        ("case", "forget", "1", "--yes", "--reason", "keeping time over"),
    ):
        done = run(*words)
        assert done.returncode == 0, done.stderr


def files_below(folder: Path) -> set[Path]:
    """All but the ledger's own."""
    return {one for one in folder.rglob("*") if one.is_file() and not one.name.startswith("ledger.sqlite3")}


PICTURE = b"\x89PNG\r\n\x1a\n" + bytes(range(256)) * 512
"""A picture by its bytes, as long as a small ROM."""


def test_no_command_leaves_a_file_or_says_a_caution_of_a_forgotten_case(run: Run, tmp_path: Path) -> None:
    (tmp_path / "some.bin").write_bytes(PICTURE)
    forget_case(run)
    home = tmp_path / "home"
    before, out = files_below(home), set(tmp_path.iterdir())
    walked = 0
    for name, found in of_a_case(command):
        words = list(words_for(found, tmp_path))
        more = list(options_with_files(found, tmp_path))
        for each in ([*words], [*words, *more]) if more else ([*words],):
            done = run(*name.split(), *each)
            walked += 1
            assert files_below(home) == before, f"{name} {each}"
            assert set(tmp_path.iterdir()) == out, f"{name} {each}"
            if name not in TOLD:
                assert "CAUTION" not in done.stdout, f"{name}: {done.stdout}"
    assert walked > 70, "the walk has something to walk over"
    assert run("case", "picture", "1", tmp_path / "some.bin").returncode == CaseForgotten.exit_code


def test_every_command_that_takes_a_case(run: Run, tmp_path: Path) -> None:
    (tmp_path / "some.bin").write_bytes(b"\xff" * 65536)
    forget_case(run)
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

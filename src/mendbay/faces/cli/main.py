"""The `mendbay` command: nouns are the stages of the job, verbs what is done.

Nothing heavy is imported before a command runs, so that `--help` answers at once.
"""

from __future__ import annotations

import importlib
import os
import re
import sys
import traceback
from contextlib import suppress
from typing import TYPE_CHECKING, Any

import click

from mendbay.core.errors import Interrupted, MendbayError, UsageError

if TYPE_CHECKING:
    from mendbay.faces.cli.screen import Screen

LACKING_SHOWN = 10
"""Signs without a font that are named."""

os.environ.setdefault("OPENBLAS_NUM_THREADS", "1")
"""The matrices here are small: several threads of the linear algebra only wait for each other. It is read
when numpy is first imported, so it is set before any command is."""

COMMANDS = {
    "case": "Take in, agree, quote, follow, hand over and close cases.",
    "triage": "See what is likely broken, why, and what to do next.",
    "board": "Read pictures of a drive and its board; measure the board.",
    "donor": "Keep the stock of boards and drives; find what fits a patient.",
    "rom": "Judge reads of a board's ROM; move it to another chip.",
    "drive": "Look at a drive, read it into an image, see how far it is.",
    "pair": "Put two members together; read both, wanted files first.",
    "files": "List what is on the volume, with a verdict for each file.",
    "handback": "Copy files out with proof: verified copy, bag and report.",
    "bench": "The bench in the browser; the shop's papers, prices and lessons.",
    "demo": "Play the whole job on two invented failing drives.",
}


class Later(click.Group):
    """A group whose commands are imported only when one of them is used."""

    def list_commands(self, ctx: click.Context) -> list[str]:
        return list(COMMANDS)

    def get_command(self, ctx: click.Context, cmd_name: str) -> click.Command | None:
        if cmd_name not in COMMANDS:
            return None
        module = importlib.import_module(f"mendbay.faces.cli.{cmd_name}")
        command: click.Command = module.command
        return command

    def format_commands(self, ctx: click.Context, formatter: click.HelpFormatter) -> None:
        with formatter.section("Commands"):
            formatter.write_dl(list(COMMANDS.items()))

    def resolve_command(self, ctx: click.Context, args: list[str]) -> Any:
        if args and args[0] not in COMMANDS:
            raise click.UsageError(f"There is no command '{args[0]}'. There are: {', '.join(COMMANDS)}.")
        return super().resolve_command(ctx, args)


@click.group(
    cls=Later,
    context_settings={"help_option_names": ["-h", "--help"], "max_content_width": 90},
    epilog="Exit codes: 0 done, 3 finished with something missing (it is listed), others are errors; "
    "all are in docs/exit-codes.md.",
)
@click.option("--home", type=click.Path(file_okay=False), envvar="MENDBAY_HOME", help="Where cases are kept.")
@click.option("--json", "as_json", is_flag=True, help="Answer as one JSON document on standard output.")
@click.option("--quiet", is_flag=True, help="No progress.")
@click.version_option(package_name="mendbay", message="mendbay %(version)s")
@click.pass_context
def command(ctx: click.Context, home: str | None, as_json: bool, quiet: bool) -> None:
    """The bench companion for failed hard drives and two-bay network storage boxes.

    A case runs from take-in to hand-back: open a case, read its drives into images, put the pair
    together, see which files are whole, hand them back with proof. Drives are only ever read; a chip of a
    board is written by a verified plan alone.
    """
    from mendbay.faces.cli.screen import Screen

    ctx.obj = screen = Screen(home=home, as_json=as_json, quiet=quiet)
    ctx.call_on_close(lambda: _tell_lacking(screen))
    ctx.call_on_close(screen.end_progress)  # an error is told after this, and must not stand behind it


def _tell_lacking(screen: Screen) -> None:
    """Says once which signs of the papers just made no font had."""
    if "mendbay.wiring" not in sys.modules:  # nothing was printed, and it takes long to load
        return
    from mendbay.wiring import FONTS, home_folder, signs_lacking

    signs = signs_lacking()
    if signs:
        named = ", ".join(f"{one} (U+{ord(one):04X})" for one in signs[:LACKING_SHOWN])
        more = f" and {len(signs) - LACKING_SHOWN} more" if len(signs) > LACKING_SHOWN else ""
        screen.warn(
            f"No font has these signs, so they stand on the paper as their Unicode number: {named}{more}. "
            f"Put a font that has them (.ttf, .otf or .ttc) into {home_folder(screen.home) / FONTS} and make "
            "the paper again."
        )


def main() -> None:
    """Runs the command line and exits with a documented code."""
    as_json = "--json" in sys.argv
    try:
        code = command.main(prog_name="mendbay", standalone_mode=False)
    except click.exceptions.Exit as leaving:
        code = leaving.exit_code
    except click.exceptions.Abort:
        code = _tell(
            Interrupted("Stopped from the keyboard.", "Run the same command again to go on."), as_json
        )
    except click.NoSuchOption as trouble:
        code = _tell(_below_nothing(trouble, sys.argv[1:]) or _not_taken(trouble), as_json)
    except click.ClickException as trouble:
        code = _tell(_not_taken(trouble), as_json)
    except KeyboardInterrupt:
        code = _tell(Interrupted("Stopped at once.", "Run the same command again to go on."), as_json)
    except MendbayError as trouble:
        code = _tell(trouble, as_json)
    except BrokenPipeError:
        os.dup2(os.open(os.devnull, os.O_WRONLY), sys.stdout.fileno())
        code = 0
    except Exception as trouble:
        if os.environ.get("MENDBAY_TRACE"):
            traceback.print_exc()
        what = f"Something unforeseen happened inside Mendbay: {type(trouble).__name__}: {trouble}."
        step = "Nothing durable is lost. Run again with MENDBAY_TRACE=1 and report what it prints."
        code = _tell(MendbayError(what, step), as_json)
    sys.exit(code if isinstance(code, int) else 0)


def _below_nothing(trouble: click.NoSuchOption, arguments: list[str]) -> UsageError | None:
    """What is said of a number with a minus before it, which looks like an option; None where it is none."""
    begins = re.escape(trouble.option_name)
    number = next((one for one in arguments if re.fullmatch(rf"(?={begins})-\d[\d.,'\s]*", one)), None)
    if number is None:
        return None
    return UsageError(
        f"{number[:40]} is below 0, and no number or amount here can be.",
        f"Write it without the minus. {_help_of(trouble)}",
    )


def _not_taken(trouble: click.ClickException) -> UsageError:
    return UsageError(trouble.format_message(), _help_of(trouble))


def _help_of(trouble: click.ClickException) -> str:
    """Where the words are explained that the command line did not take."""
    context = getattr(trouble, "ctx", None)
    if context is None or context.parent is None:
        return "mendbay --help lists the commands, and every command has its own --help."
    return f"{context.command_path} --help explains it."


def _tell(trouble: MendbayError, as_json: bool) -> int:
    """Prints a trouble in the one shape it has for people, or for programs; returns its exit code, also where
    the terminal was closed."""
    with suppress(OSError):
        _print(trouble, as_json)
    return trouble.exit_code


def _print(trouble: MendbayError, as_json: bool) -> None:
    from mendbay.faces.cli.screen import fitted, json_text
    from mendbay.faces.plain_text import without_controls

    if as_json:
        shape = {
            "kind": type(trouble).__name__,
            "what": trouble.what,
            "next_step": trouble.next_step,
            "exit_code": trouble.exit_code,
        }
        print(json_text({"error": shape}))
    else:
        called = os.environ.get("MENDBAY_CALLED_AS", "mendbay")
        verbs = rf"\bmendbay (?={'|'.join(COMMANDS)}|--help)"
        step = re.sub(verbs, lambda _: f"{called} ", trouble.next_step)
        for line in (f"mendbay: {trouble.what}", f"Next: {step}"):
            print(fitted(without_controls(line), sys.stderr), file=sys.stderr)


if __name__ == "__main__":
    main()

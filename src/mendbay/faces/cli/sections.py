"""A group of commands whose help lists them by topic, in the order of the work."""

from __future__ import annotations

import importlib
from collections.abc import Mapping
from typing import Any

import click

Sections = Mapping[str, Mapping[str, tuple[str, str]]]
"""By topic and name of a command: the topic's module, and what the command does."""


class LaterSections(click.Group):
    """A group that imports the module of a command only when that command is used, so that the help of fifty
    commands answers at once.

    Args:
        sections: the commands; a module `PREFIX_NAME` beside this one has them in `COMMANDS`.
        prefix: of the modules' names.
    """

    def __init__(self, *args: Any, sections: Sections, prefix: str, **kwargs: Any) -> None:
        super().__init__(*args, **kwargs)
        self.sections = sections
        self._prefix = prefix

    def list_commands(self, ctx: click.Context) -> list[str]:
        return [name for topic in self.sections.values() for name in topic]

    def get_command(self, ctx: click.Context, cmd_name: str) -> click.Command | None:
        topics = {name: module for topic in self.sections.values() for name, (module, _) in topic.items()}
        if cmd_name not in topics:
            return None
        module = importlib.import_module(f"mendbay.faces.cli.{self._prefix}_{topics[cmd_name]}")
        return next((one for one in module.COMMANDS if one.name == cmd_name), None)

    def format_commands(self, ctx: click.Context, formatter: click.HelpFormatter) -> None:
        for title, topic in self.sections.items():
            with formatter.section(title):
                formatter.write_dl([(name, words) for name, (_, words) in topic.items()], col_max=14)

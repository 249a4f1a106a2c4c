"""A group of commands whose help lists them by topic, in the order of the work."""

from __future__ import annotations

import re
from collections.abc import Mapping, Sequence

import click


class Sectioned(click.Group):
    """Its commands are added topic by topic; those added without one stand first, under `Commands`."""

    def __init__(self, *args: object, **kwargs: object) -> None:
        super().__init__(*args, **kwargs)  # type: ignore[arg-type]
        self._sections: dict[str, list[str]] = {"Commands": []}

    def add_section(self, title: str, commands: Sequence[click.Command]) -> None:
        """Adds commands under a topic."""
        self._sections[title] = [str(one.name) for one in commands]
        for one in commands:
            self.add_command(one)

    def list_commands(self, ctx: click.Context) -> list[str]:
        listed = [name for names in self._sections.values() for name in names]
        return [name for name in self.commands if name not in listed] + listed

    def format_commands(self, ctx: click.Context, formatter: click.HelpFormatter) -> None:
        for title, names in self._titled(ctx).items():
            rows = [(name, _first_sentence(self.commands[name])) for name in names]
            with formatter.section(title):
                formatter.write_dl(rows, col_max=14)

    def _titled(self, ctx: click.Context) -> Mapping[str, Sequence[str]]:
        listed = {name for names in self._sections.values() for name in names}
        rest = [name for name in self.commands if name not in listed]
        return {title: names or rest for title, names in self._sections.items() if names or rest}


def _first_sentence(command: click.Command) -> str:
    paragraph = " ".join((command.help or "").split("\n\n")[0].split())
    return re.split(r"(?<=[.;:])\s", paragraph, maxsplit=1)[0].rstrip(".;:")

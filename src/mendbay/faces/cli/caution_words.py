"""Cautions on the terminal, before anything is done to a drive or a chip."""

from __future__ import annotations

from mendbay.core.cautions import cautions_for
from mendbay.faces.cli.screen import Screen, wrapped

DRIVE = ("spinning-drive",)
"""Before a drive is read."""
CHIP = ("static", "clip")
"""Before a clip goes onto a chip."""


def say_cautions(screen: Screen, ids: tuple[str, ...]) -> None:
    """Shows these cautions in full, and that local rules come first. A program that asked for JSON gets its
    answer alone."""
    cautions = cautions_for(ids)
    lines = [wrapped(f"CAUTION, {one.title}: {one.text}", "", "  ") for one in cautions]
    screen.say("\n".join([*lines, wrapped(cautions[0].deferral, "", "  "), ""]))

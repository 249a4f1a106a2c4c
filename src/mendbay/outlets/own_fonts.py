"""The fonts of papers: those built into the typesetter, and the shop's own for scripts that they lack."""

from __future__ import annotations

import os
from collections.abc import Callable, Iterable
from pathlib import Path
from typing import Any, NoReturn

import typst

from mendbay.core.errors import BadFormFile
from mendbay.outlets.glyphs import lacking

MOST_FILES = 40
LARGEST_BYTES = 64 << 20
"""Of one file: a large font of all Chinese signs has some 20 MB (own choice)."""
MOST_TRIED = 2000
"""Signs that are tried one by one; what lies beyond counts as lacking (own choice)."""
ARCHIVAL: dict[str, Any] = {"pdf_standards": "a-2b"}
"""The form of PDF that refuses text without a glyph (ISO 19005-2)."""
_TRIAL = (
    '#set document(title: "x", date: datetime(year: 2026, month: 1, day: 1))\n#set page(height: auto)\n'
    '#set text(font: "Libertinus Serif")\n'
)


class OwnFonts:
    """
    Args:
        folder: where the shop's fonts are, if it has any; nothing outside it is read.
        lacks: is told the signs of what is printed that no font has.
    """

    def __init__(
        self, folder: Path | None = None, lacks: Callable[[frozenset[str]], None] = lambda _: None
    ) -> None:
        self._folder = folder
        self._lacks = lacks
        self._loaded: typst.Fonts | None = None
        self._own = False

    @property
    def fonts(self) -> typst.Fonts:
        """All of them, for the typesetter.

        Raises:
            BadFormFile: the folder cannot be read, or holds something else than plain files of a sound size.
        """
        if self._loaded is None:
            self._own = self._folder is not None and _holds_files(self._folder)
            paths = [str(self._folder)] if self._own else []
            self._loaded = typst.Fonts(include_system_fonts=False, font_paths=paths)
        return self._loaded

    def require_sound(self) -> None:
        """Refuses the folder where the first paper would, without loading a font.

        Raises:
            BadFormFile: as `fonts`.
        """
        if self._folder is not None:
            _holds_files(self._folder)

    def beside_built_in(self, value: Any) -> tuple[frozenset[str], bool]:
        """What of the signs in plain values the shop's fonts show beside the built-in ones, and whether any
        other is left, which stands as its Unicode number and is told as lacking.

        Raises:
            BadFormFile: as `fonts`.
        """
        signs = lacking(value)
        own = self.shown_of(signs) if signs else frozenset[str]()
        if signs - own:
            self._lacks(signs - own)
        return own, bool(signs - own)

    def shown_of(self, signs: Iterable[str]) -> frozenset[str]:
        """Those of the signs that the shop's fonts have, judged by the typesetter: the archival form of PDF
        refuses text without a glyph.

        Raises:
            BadFormFile: as `fonts`.
        """
        fonts, asked = self.fonts, sorted(set(signs))
        if not self._own or not asked:
            return frozenset()
        if _all_shown(fonts, asked):
            return frozenset(asked)
        return frozenset(one for one in asked[:MOST_TRIED] if _all_shown(fonts, [one]))


def _all_shown(fonts: typst.Fonts, signs: Iterable[str]) -> bool:
    body = "".join(f'#"\\u{{{ord(one):x}}}" \\\n' for one in signs)
    sheet: dict[Any, Any] = {"main.typ": (_TRIAL + body).encode()}
    try:
        typst.compile(sheet, font_paths=fonts, format="pdf", **ARCHIVAL)
    except typst.TypstError:
        return False
    return True


def _holds_files(folder: Path) -> bool:
    """Whether there is a file in the folder; the typesetter would follow links and folders out of it."""
    if folder.is_symlink():
        _refuse(folder, "is a link", "Make it a folder")
    try:
        with os.scandir(folder) as found:
            entries = sorted(found, key=lambda one: one.name)
        for one in entries:
            if not one.is_file(follow_symlinks=False):
                _refuse(
                    folder, f"holds {one.name[:60]!r}, which is no plain file", "Copy the file itself there"
                )
            if one.stat(follow_symlinks=False).st_size > LARGEST_BYTES:
                _refuse(folder, f"holds {one.name[:60]!r}, which is too large for a font", "Take it out")
    except FileNotFoundError:
        return False
    except OSError as trouble:
        _refuse(folder, f"cannot be read: {trouble.strerror}", "Check its rights")
    if len(entries) > MOST_FILES:
        _refuse(folder, f"holds {len(entries)} files", f"Leave the {MOST_FILES} that are needed")
    return bool(entries)


def _refuse(folder: Path, what: str, next_step: str) -> NoReturn:
    raise BadFormFile(f"The folder of fonts {folder} {what}.", f"{next_step}.")

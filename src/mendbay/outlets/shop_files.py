"""The shop's own data files in its home folder: `number-forms/*.toml` and `families/*.json`."""

from __future__ import annotations

import os
import re
from collections.abc import Iterator
from pathlib import Path

from mendbay.core.errors import BadFormFile, DestinationError, UsageError
from mendbay.jobs.board_ports import ShopFiles
from mendbay.outlets.safe_folder import SafeFolder

ENDINGS = {"number-forms": ".toml", "families": ".json"}
LIMIT_BYTES = 16 << 20
_NAME = re.compile(r"[A-Za-z0-9][A-Za-z0-9._-]{0,99}")


class ShopFolder(ShopFiles):
    """The data files below one folder.

    Args:
        root: the shop's home.
    """

    def __init__(self, root: Path) -> None:
        self._root = root

    def texts(self, kind: str) -> Iterator[tuple[str, str]]:
        ending = ENDINGS[kind]
        try:
            found = sorted(path for path in (self._root / kind).iterdir() if path.name.endswith(ending))
        except FileNotFoundError:
            return
        except OSError as trouble:
            raise BadFormFile(
                f"The folder {self._root / kind} cannot be read: {trouble.strerror}.", "Check its rights."
            ) from trouble
        for path in found:
            yield path.name.removesuffix(ending), _text_of(path)

    def keep(self, kind: str, name: str, text: str) -> Path:
        if not _NAME.fullmatch(name):
            raise UsageError(
                f"{name[:60]!r} cannot be the name of a file.",
                "Use letters, digits, dots, hyphens and underscores, like TB-4471.",
            )
        path = f"{kind}/{name}{ENDINGS[kind]}"
        try:
            self._root.mkdir(parents=True, exist_ok=True)
            folder = SafeFolder(self._root)
            try:
                folder.make_folder(kind)
                folder.remove(f"{path}.new")
                with os.fdopen(folder.create(f"{path}.new"), "wb") as file:
                    file.write(text.encode())
                    file.flush()
                    os.fsync(file.fileno())
                folder.place(f"{path}.new", path)
                folder.sync()
            finally:
                folder.close()
        except OSError as trouble:
            raise DestinationError(
                f"{self._root / path} cannot be written: {trouble.strerror}.",
                "Check the folder and its room.",
            ) from trouble
        return self._root / path


def _text_of(path: Path) -> str:
    try:
        with path.open("rb") as file:
            data = file.read(LIMIT_BYTES + 1)
        if len(data) > LIMIT_BYTES:
            raise BadFormFile(f"{path} is larger than any such file.", "Move it out of that folder.")
        return data.decode("utf-8")
    except UnicodeDecodeError as trouble:
        raise BadFormFile(f"{path} is not text in UTF-8.", "Save it as UTF-8.") from trouble
    except OSError as trouble:
        raise BadFormFile(f"{path} cannot be read: {trouble.strerror}.", "Check its rights.") from trouble

"""The shop's own data files in its home folder: number forms, families, settings and wordings of papers."""

from __future__ import annotations

import os
import re
from collections.abc import Iterator, Sequence
from contextlib import contextmanager
from itertools import count
from pathlib import Path

from mendbay.core.errors import BadFormFile, DestinationError, UsageError
from mendbay.jobs.board_ports import ShopFiles
from mendbay.outlets.own_folders import make_own
from mendbay.outlets.safe_folder import SafeFolder

ENDINGS = {"number-forms": ".toml", "families": ".json", "settings": ".toml", "papers": ".md"}
LIMIT_BYTES = {"number-forms": 16 << 20, "families": 64 << 20, "settings": 1 << 20, "papers": 1 << 20}
_NAME = re.compile(r"[A-Za-z0-9][A-Za-z0-9._-]{0,99}")


class ShopFolder(ShopFiles):
    """The data files below one folder.

    Args:
        root: the shop's home.
    """

    def __init__(self, root: Path) -> None:
        self._root = root

    def texts(self, kind: str) -> Iterator[tuple[str, str]]:
        for name in self.names(kind):
            text = _text_of(self.path_of(kind, name), LIMIT_BYTES[kind])
            if text is not None:
                yield name, text

    def names(self, kind: str) -> Sequence[str]:
        ending = ENDINGS[kind]
        try:
            found = [path.name for path in (self._root / kind).iterdir()]
        except FileNotFoundError:
            return ()
        except OSError as trouble:
            raise BadFormFile(
                f"The folder {self._root / kind} cannot be read: {trouble.strerror}.", "Check its rights."
            ) from trouble
        return tuple(sorted(one.removesuffix(ending) for one in found if one.endswith(ending)))

    def path_of(self, kind: str, name: str) -> Path:
        return self._root / kind / f"{name}{ENDINGS[kind]}"

    def check_name(self, name: str) -> None:
        if not _NAME.fullmatch(name):
            raise UsageError(
                f"{name[:60]!r} cannot be the name of a file.",
                "Use letters, digits, dots, hyphens and underscores, like TB-4471.",
            )

    def text(self, kind: str, name: str) -> str | None:
        self.check_name(name)
        return _text_of(self.path_of(kind, name), LIMIT_BYTES[kind])

    def keep(self, kind: str, name: str, text: str) -> tuple[Path, Path | None]:
        with self._written(kind, name, text) as (folder, path):
            earlier = _moved_aside(folder, path, text.encode())
            folder.place(f"{path}.new", path)
        return self._root / path, self._root / earlier if earlier else None

    def keep_new(self, kind: str, name: str, text: str) -> Path:
        with self._written(kind, name, text) as (folder, path):
            try:
                folder.place_new(f"{path}.new", path)
            except FileExistsError as trouble:
                folder.remove(f"{path}.new")
                raise UsageError(
                    f"{self._root / path} is there already, and stays as it is.",
                    "Edit that file; to have ours in its place, move it away first.",
                ) from trouble
        return self._root / path

    def put_away(self, kind: str, name: str) -> Path | None:
        self.check_name(name)
        path = f"{kind}/{name}{ENDINGS[kind]}"
        if not self.path_of(kind, name).is_file():
            return None
        try:
            folder = SafeFolder(self._root)
            try:
                earlier = _numbered(folder, path)
                folder.sync()
            finally:
                folder.close()
        except OSError as trouble:
            raise DestinationError(
                f"{self._root / path} cannot be moved: {trouble.strerror}.", "Check the folder's rights."
            ) from trouble
        return self._root / earlier

    @contextmanager
    def _written(self, kind: str, name: str, text: str) -> Iterator[tuple[SafeFolder, str]]:
        """The folder and the path of a file in it, the text beside it as `.new`; what is done with it lasts.

        Raises:
            UsageError: the name cannot be a file's.
            DestinationError: it cannot be written.
        """
        self.check_name(name)
        path = f"{kind}/{name}{ENDINGS[kind]}"
        try:
            make_own(self._root)
            folder = SafeFolder(self._root)
            try:
                folder.make_folder(kind)
                folder.remove(f"{path}.new")
                with os.fdopen(folder.create(f"{path}.new"), "wb") as file:
                    file.write(text.encode())
                    file.flush()
                    os.fsync(file.fileno())
                yield folder, path
                folder.sync()
            finally:
                folder.close()
        except OSError as trouble:
            raise DestinationError(
                f"{self._root / path} cannot be written: {trouble.strerror}.",
                "Check the folder and its room.",
            ) from trouble


def _moved_aside(folder: SafeFolder, path: str, data: bytes) -> str:
    """Gives a file that holds other bytes a number behind its name; empty if there is none."""
    size = folder.size_of(path)
    if size is None:
        return ""
    if size == len(data):
        with os.fdopen(folder.open_read(path), "rb") as file:
            if file.read(size) == data:
                return ""
    return _numbered(folder, path)


def _numbered(folder: SafeFolder, path: str) -> str:
    """Gives a file the first number behind its name that is free."""
    for number in count(1):
        earlier = f"{path}.{number}"
        try:
            folder.place_new(path, earlier)
        except FileExistsError:
            continue
        return earlier
    raise AssertionError("numbers do not end")


def _text_of(path: Path, limit_bytes: int) -> str | None:
    """The text of a file; None if there is none."""
    try:
        with path.open("rb") as file:
            data = file.read(limit_bytes + 1)
        if len(data) > limit_bytes:
            raise BadFormFile(f"{path} is larger than any such file.", "Move it out of that folder.")
        return data.decode("utf-8")
    except FileNotFoundError:
        return None
    except UnicodeDecodeError as trouble:
        raise BadFormFile(f"{path} is not text in UTF-8.", "Save it as UTF-8.") from trouble
    except OSError as trouble:
        raise BadFormFile(f"{path} cannot be read: {trouble.strerror}.", "Check its rights.") from trouble

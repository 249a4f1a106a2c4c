"""Where the images of all cases lie: `cases/NNNN-slug/bay-1.img`, each with its checkpoint.

Few commands open an image: what does is imported with the first.
"""

from __future__ import annotations

import os
from collections.abc import Callable
from pathlib import Path
from typing import TYPE_CHECKING

from mendbay.case.records import Case
from mendbay.core.clock import Clock
from mendbay.jobs.log_memory import LogMemory
from mendbay.jobs.ports import Blended, ImageGlance, Images, ImageStore
from mendbay.outlets.image_place import glance_at, is_begun

if TYPE_CHECKING:
    from mendbay.core.source import Identity
    from mendbay.core.span import SpanSet
    from mendbay.outlets.image_file import ImageFile


class ImageShelf(Images):
    """The images below one folder.

    Args:
        root: the folder that holds a folder for each case.
        require_kept: called with a case's number before an image is begun; what it raises for a case that was
            forgotten goes through.
        memory: what looks at logs made of them; None to read each anew.
    """

    def __init__(
        self,
        root: Path,
        clock: Clock,
        require_kept: Callable[[int], None] = lambda number: None,
        memory: LogMemory | None = None,
    ) -> None:
        self._root = root
        self._require_kept = require_kept
        self._clock = clock
        self._memory = memory

    def remembering(self, memory: LogMemory) -> ImageShelf:
        return ImageShelf(self._root, self._clock, self._require_kept, memory)

    def folder(self, case: Case) -> Path:
        return self._root / case.folder

    def folders(self) -> frozenset[str]:
        try:
            return frozenset(os.listdir(self._root))
        except OSError:
            return frozenset()  # none was made yet

    def name(self, bay: str) -> str:
        return f"bay-{bay}.img"

    def _path(self, case: Case, bay: str) -> Path:
        return self.folder(case) / self.name(bay)

    def exists(self, case: Case, bay: str) -> bool:
        return is_begun(self._path(case, bay))

    def glance(self, case: Case, bay: str) -> ImageGlance | None:
        return glance_at(self._path(case, bay))

    def create(self, case: Case, bay: str, identity: Identity) -> ImageFile:
        from mendbay.outlets.image_file import ImageFile

        self._require_kept(case.number)
        return ImageFile.create(self._path(case, bay), identity, self._clock)

    def reopen(self, case: Case, bay: str, *, writable: bool) -> ImageFile:
        from mendbay.outlets.image_file import ImageFile

        memory = None if writable else self._memory
        return ImageFile.reopen(self._path(case, bay), self._clock, writable=writable, memory=memory)

    def aside_name(self, case: Case, bay: str) -> str:
        from mendbay.outlets.image_aside import next_aside

        return next_aside(self._path(case, bay)).name

    def asides(self, case: Case, bay: str) -> tuple[str, ...]:
        from mendbay.outlets.image_aside import asides_of

        return tuple(one.name for one in asides_of(self._path(case, bay)))

    def is_half_aside(self, case: Case, bay: str) -> bool:
        from mendbay.outlets.image_aside import is_half_aside

        return is_half_aside(self._path(case, bay))

    def set_aside(self, case: Case, bay: str, name: str) -> None:
        from mendbay.outlets.image_aside import set_aside

        set_aside(self._path(case, bay), self.folder(case) / name)

    def other(self, path: Path) -> ImageFile:
        from mendbay.outlets.image_file import ImageFile

        return ImageFile.reopen(path, self._clock, writable=False)

    def blend(self, into: ImageStore, other: ImageStore, spans: SpanSet, origin: str) -> Blended:
        """As the port says.

        Raises:
            TypeError: one of them was not opened here.
        """
        from mendbay.outlets.image_blend import blend
        from mendbay.outlets.image_file import ImageFile

        if not (isinstance(into, ImageFile) and isinstance(other, ImageFile)):
            raise TypeError("only images opened from this shelf can take over others")
        return blend(into, other, spans, origin)

"""Images set aside: moved, with the checkpoint beside them, to a name of their own in the same folder.

Image first, checkpoint last: what a kill leaves half moved is known by a checkpoint without its image, and
the same call goes on with it.
"""

from __future__ import annotations

import os
import re
from contextlib import suppress
from pathlib import Path

from mendbay.core.errors import DamagedCheckpoint, DestinationError
from mendbay.outlets.checkpoint import Checkpoint, checkpoint_path
from mendbay.outlets.image_place import sync_folder, take_lock, write_error


def asides_of(image: Path) -> tuple[Path, ...]:
    """The images that were set aside from that path, the first set aside first."""
    ours = re.compile(re.escape(image.stem) + r"\.aside-([1-9][0-9]{0,5})\.img")
    if not image.parent.is_dir():
        return ()
    found = [(int(match[1]), one) for one in image.parent.iterdir() if (match := ours.fullmatch(one.name))]
    return tuple(one for _, one in sorted(found))


def is_half_aside(image: Path) -> bool:
    """Whether a kill left its checkpoint alone while the image was set aside."""
    return _half(image) is not None


def _half(image: Path) -> Path | None:
    if image.exists() or not checkpoint_path(image).exists():
        return None
    return next((one for one in asides_of(image) if not checkpoint_path(one).exists()), None)


def next_aside(image: Path) -> Path:
    """Where it is to be moved to: where it was half moved already, else a name that nothing has."""
    half = _half(image)
    if half is not None:
        return half
    number = 1
    while True:
        path = image.with_name(f"{image.stem}.aside-{number}.img")
        if not any(one.exists() for one in (path, *_beside(path))):
            return path
        number += 1


def set_aside(image: Path, to: Path) -> None:
    """Moves an image and its checkpoint to the path that `next_aside` gave; durable when it returns.

    Raises:
        ImageBusy: another process writes to it.
        DestinationError: it cannot be moved, or something lies there.
    """
    half = _half(image)
    if to != half and any(one.exists() for one in (to, *_beside(to))):
        raise DestinationError(f"{to} already exists.", "Run the same command again.")
    here = to if half is not None else image
    try:
        fd = os.open(here, os.O_RDONLY | os.O_CLOEXEC | os.O_NOFOLLOW)
    except OSError as trouble:
        raise write_error(here, trouble) from trouble
    try:
        take_lock(fd, here)
        try:
            if half is None:
                with suppress(DamagedCheckpoint):  # it is moved as it is
                    _fold_in(image)
                image.rename(to)
            for old, new in zip(_beside(image), _beside(to), strict=True):
                if old.exists():
                    old.rename(new)
            sync_folder(image.parent)
        except OSError as trouble:
            raise write_error(here, trouble) from trouble
    finally:
        os.close(fd)


def _fold_in(image: Path) -> None:
    """Writes what its helper files still hold into the checkpoint."""
    if checkpoint_path(image).exists():
        Checkpoint.open(image, writable=True).close()


def _beside(image: Path) -> tuple[Path, ...]:
    """The checkpoint with its helper files, the checkpoint last."""
    log = checkpoint_path(image)
    return (log.with_name(f"{log.name}-wal"), log.with_name(f"{log.name}-shm"), log)

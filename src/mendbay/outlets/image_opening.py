"""Making the files of an image, and opening those that are there."""

from __future__ import annotations

import os
from contextlib import ExitStack
from pathlib import Path

from mendbay.core.errors import DamagedCheckpoint, DestinationError
from mendbay.core.source import Identity
from mendbay.outlets.checkpoint import Checkpoint, checkpoint_path, clear_stillborn
from mendbay.outlets.image_place import is_begun, sync_folder, take_lock, write_error
from mendbay.outlets.own_folders import make_own


def begin_files(path: Path, identity: Identity) -> tuple[int, Checkpoint]:
    """A new, empty image, locked and open for writing, and its checkpoint.

    Raises:
        DestinationError: a file is already there, or the folder cannot be written to.
        ImageBusy: another process is at it.
    """
    try:
        make_own(path.parent.parent, path.parent)
        fd = os.open(path, os.O_RDWR | os.O_CREAT | os.O_CLOEXEC | os.O_NOFOLLOW, 0o600)
    except OSError as trouble:
        raise write_error(path, trouble) from trouble
    with ExitStack() as undo:
        undo.callback(os.close, fd)
        take_lock(fd, path)  # before anything is cleared away: another process may be at it
        if os.fstat(fd).st_size == 0:
            clear_stillborn(path)
        for there in (path, checkpoint_path(path)):
            if there.exists() and (there != path or is_begun(path)):
                raise DestinationError(
                    f"{there} already exists.",
                    "Go on with that image, or choose another name for a new one."
                    if there == path
                    else "Its image is gone, erased or moved: name the bay otherwise, or move that file.",
                )
        log = Checkpoint.create(path, identity)
        undo.callback(log.close)
        try:
            os.ftruncate(fd, identity.size_bytes)
            os.fsync(fd)
            sync_folder(path.parent)
        except OSError as trouble:
            raise write_error(path, trouble) from trouble
        undo.pop_all()
        return fd, log


def open_files(path: Path, *, writable: bool, checked: bool = True) -> tuple[int, Checkpoint]:
    """An image that is there, locked if it is to be written to, and its checkpoint.

    Args:
        checked: whether the checkpoint is to check itself now.

    Raises:
        DestinationError: there is no such image.
        ImageBusy: another process is writing to it.
        DamagedCheckpoint: the checkpoint is missing or damaged.
    """
    log_path = checkpoint_path(path)
    if not path.exists() and log_path.exists():
        raise DestinationError(
            f"The image {path} is gone: erased, half erased or moved; only its log of reads is there.",
            "If it was moved, put it back. Otherwise read the drive again under another name of its bay.",
        )
    if not path.exists():
        raise DestinationError(
            f"There is no image {path}.", "Check the name; reading a drive begins an image."
        )
    if not log_path.exists():
        raise DamagedCheckpoint(
            f"The image {path} has no checkpoint {log_path.name} beside it, so nothing says which of its "
            "bytes were read.",
            f"Put {log_path.name} back beside it; without it the drive has to be read anew.",
        )
    with ExitStack() as undo:
        mode = os.O_RDWR if writable else os.O_RDONLY
        try:
            fd = os.open(path, mode | os.O_CLOEXEC | os.O_NOFOLLOW)
        except OSError as trouble:
            raise DestinationError(
                f"The image {path} cannot be opened: {trouble.strerror}.",
                "Check who may read and write it.",
            ) from trouble
        undo.callback(os.close, fd)
        if writable:
            take_lock(fd, path)
        log = Checkpoint.open(path, writable=writable, checked=checked)
        undo.pop_all()
        return fd, log

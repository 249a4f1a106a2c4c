"""What lies beside the copies in a hand-back folder: its reports. No link in it is followed."""

from __future__ import annotations

import os
from pathlib import Path

from mendbay.core.errors import DestinationError
from mendbay.outlets.mount_looks import looked
from mendbay.outlets.safe_folder import SafeFolder

READ_SECONDS = 60.0
"""How long the largest report may take (own choice)."""


def report_file(folder: Path, name: str, most_bytes: int) -> bytes:
    """A report of a hand-back.

    Args:
        name: of a file directly in the folder.

    Raises:
        DestinationError: it is not there, is no regular file, cannot be read, or has more than `most_bytes`.
    """

    def read() -> bytes:
        root = SafeFolder(folder)
        try:
            with os.fdopen(root.open_read(name), "rb") as file:
                return file.read(most_bytes + 1)
        finally:
            root.close()

    try:
        looked(folder, folder.stat)  # what hangs does so at once
        data = looked(folder, read, READ_SECONDS)
    except (OSError, ValueError) as trouble:
        why = getattr(trouble, "strerror", None) or trouble
        raise DestinationError(
            f"{name} of the hand-back in {folder} cannot be read: {why}.",
            "If the folder was taken away, plug its medium in again.",
        ) from trouble
    if len(data) > most_bytes:
        raise DestinationError(
            f"{name} of the hand-back in {folder} is too large to be shown here.", "Open it where it lies."
        )
    return data

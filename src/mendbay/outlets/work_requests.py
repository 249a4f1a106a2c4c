"""What is asked of a work: one small file each, named by a number, in the order they were asked."""

from __future__ import annotations

import json
import os
import re
import secrets
from collections.abc import Mapping
from contextlib import suppress

from mendbay.core.errors import UsageError
from mendbay.jobs.work_port import JSON, WorkRequest
from mendbay.outlets.work_folder import as_bytes, opened_file
from mendbay.outlets.work_json import NotOurs, request_from, request_json

LIMIT_BYTES = 4096
MOST_WAITING = 100
"""Requests a work has not looked at yet; whoever asks more is not heard sooner."""
_NAME = re.compile(r"[0-9]{6}")


def place(folder: int, request: WorkRequest) -> None:
    """Places a request behind all that are there, whole.

    Args:
        folder: a descriptor of the folder of requests.

    Raises:
        UsageError: too many wait already.
        OSError: it cannot be written.
    """
    fresh = f"new-{secrets.token_hex(8)}"
    flags = os.O_WRONLY | os.O_CREAT | os.O_EXCL | os.O_NOFOLLOW | os.O_CLOEXEC
    facts: Mapping[str, JSON] = request_json(request)
    with os.fdopen(os.open(fresh, flags, 0o600, dir_fd=folder), "wb") as file:
        file.write(as_bytes(facts))
    try:
        while True:
            there = _waiting(folder)
            if len(there) >= MOST_WAITING:
                raise UsageError(
                    f"{len(there)} requests to this work wait already.", "Wait until it has looked at them."
                )
            name = f"{int(there[-1]) + 1 if there else 1:06}"
            with suppress(FileExistsError):  # another was quicker: behind that one
                os.link(fresh, name, src_dir_fd=folder, dst_dir_fd=folder, follow_symlinks=False)
                return
    finally:
        os.unlink(fresh, dir_fd=folder)


def take(folder: int) -> list[WorkRequest]:
    """Takes away what was asked, in its order; what is damaged is dropped.

    Args:
        folder: a descriptor of the folder of requests.

    Raises:
        OSError: the folder cannot be read.
    """
    found = []
    for name in _waiting(folder):
        with suppress(OSError, ValueError, RecursionError, NotOurs):
            with opened_file(folder, name) as file:
                data = file.read(LIMIT_BYTES + 1)
            if len(data) <= LIMIT_BYTES:
                found.append(request_from(json.loads(data)))
        _remove(folder, name)
    return found


def _remove(folder: int, name: str) -> None:
    """Takes a request away; also where a folder stands in its place, unless it holds something."""
    try:
        os.unlink(name, dir_fd=folder)
    except OSError:
        with suppress(OSError):
            os.rmdir(name, dir_fd=folder)


def _waiting(folder: int) -> list[str]:
    return sorted(one for one in os.listdir(folder) if _NAME.fullmatch(one))

"""An image that is added to belongs to the thread that reads its drive; others only take bytes from it."""

from __future__ import annotations

import threading
from pathlib import Path
from typing import Any

import pytest

from mendbay.core.span import SpanSet
from mendbay.jobs.drive_reading import DriveReading
from mendbay.jobs.read_pair import read_pair
from mendbay.outlets.image_file import ImageFile
from support.boxes import small_base
from support.pair_shop import shop

FOR_ALL = {"take", "path", "identity"}
"""What any thread may ask an image for."""


def test_of_the_other_drives_image_a_thread_only_takes_bytes(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    base = small_base(tmp_path / "base")
    owner = threading.local()
    by_owner: set[str] = set()
    by_others: set[str] = set()
    lock = threading.Lock()
    running = 0
    run, get = DriveReading.run, ImageFile.__getattribute__

    def owning_run(reading: DriveReading, *args: Any, **named: Any) -> Any:
        nonlocal running
        owner.image = reading._store
        with lock:
            running += 1
        try:
            return run(reading, *args, **named)
        finally:
            with lock:
                running -= 1
            del owner.image

    def noted(image: ImageFile, name: str) -> Any:
        if not name.startswith("_"):
            mine = getattr(owner, "image", None)
            with lock:
                if mine is image:
                    by_owner.add(name)
                elif mine is not None or (running and threading.current_thread() is threading.main_thread()):
                    by_others.add(name)
        return get(image, name)

    with shop(tmp_path, base, refusals=6) as one:
        monkeypatch.setattr(DriveReading, "run", owning_run)
        monkeypatch.setattr(ImageFile, "__getattribute__", noted)
        # one half says something else: suspicions are raised by one thread and looked into by the other
        inode = one.box.geometry.on_drive(1, SpanSet([base.newest.placed[b"texts/02.txt"].inode_at]))
        with one.box.images[1].open("r+b") as drive:
            drive.seek(next(iter(inode)).start + 8)
            drive.write(b"\xff")
        result = read_pair(one.bench, 1, one.drives())
        monkeypatch.undo()
    assert result.compared is not None
    assert result.compared.differ_at is not None
    assert {"keep", "note", "commit_soon", "commit", "coverage", "claims_in"} <= by_owner
    assert "take" in by_others, "the halves are compared"
    assert by_others <= FOR_ALL

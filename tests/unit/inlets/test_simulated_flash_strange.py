"""What is named as a simulated chip and is none is refused without being read to its end."""

from __future__ import annotations

import os
from pathlib import Path

import pytest

from mendbay.core.errors import UsageError
from mendbay.inlets.simulated_flash_file import LARGEST_DESCRIPTION, open_simulated_flash


def test_a_description_that_is_no_file_or_too_large(tmp_path: Path) -> None:
    os.mkfifo(tmp_path / "pipe")
    (tmp_path / "large").write_bytes(b"#" * (LARGEST_DESCRIPTION + 1))
    for path in (Path("/dev/null"), tmp_path / "pipe", tmp_path / "large", tmp_path):
        with pytest.raises(UsageError):
            open_simulated_flash(path)


def test_a_memory_that_is_no_file(tmp_path: Path) -> None:
    os.mkfifo(tmp_path / "pipe")
    for memory in ("/dev/null", "pipe"):
        (tmp_path / "chip.toml").write_text(f'memory = "{memory}"\n')
        with pytest.raises(UsageError, match="is no file"):
            open_simulated_flash(tmp_path / "chip.toml")

"""The options of works on files."""

from __future__ import annotations

import pytest

from mendbay.core.errors import UsageError
from mendbay.jobs.file_work_options import CheckHandBack, ReadFile, path_option
from mendbay.jobs.work_options import options_of
from mendbay.jobs.work_port import JSON, WorkKind, WorkOrder

PATH = b"kiln\xff/\n a.txt"


def order(kind: WorkKind, **options: JSON) -> WorkOrder:
    return WorkOrder("x", kind, 1, "Ina", "2026-11-29T01:00:00Z", options)


def test_a_path_that_is_no_text_comes_back_as_it_was() -> None:
    assert options_of(order(WorkKind.READ_FILE, path=path_option(PATH))) == ReadFile(PATH)


@pytest.mark.parametrize("parts", [(), ("",), ("zz",), ("2f",), ("00",), ("61", ""), ("612f62",), 7, "6161"])
def test_what_is_no_path_is_refused(parts: JSON) -> None:
    with pytest.raises(UsageError):
        options_of(order(WorkKind.READ_FILE, path=parts))


@pytest.mark.parametrize("folder", ["", "x", "../x", "/a/../x"])
def test_a_folder_that_is_not_named_from_the_root_on_is_refused(folder: str) -> None:
    with pytest.raises(UsageError):
        options_of(order(WorkKind.CHECK_HAND_BACK, folder=folder))
    assert options_of(order(WorkKind.CHECK_HAND_BACK, folder="/a")) == CheckHandBack.of("/a")

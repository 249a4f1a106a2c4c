"""The style that every page loads is joined of several files: none may change what another one means."""

from __future__ import annotations

import re
from collections import defaultdict

from mendbay.faces.web.desk import APART, static_files

MEANT = {".scroll", ".plain", ".ticks"}
"""Classes of all pages that a file of some pages adds to."""


def test_no_class_is_defined_by_two_files_unless_it_is_meant() -> None:
    found: dict[str, set[str]] = defaultdict(set)
    for name, (data, kind) in static_files().items():
        if kind == "text/css" and name not in ("pages.css", *APART):
            for selectors in re.findall(r"([^{}]+)\{", data.decode()):
                for one in selectors.split(","):
                    if re.fullmatch(r"\.[\w-]+", one.strip()):
                        found[one.strip()].add(name)
    twice = {one: names for one, names in found.items() if len(names) > 1 and one not in MEANT}
    assert twice == {}


def test_every_page_gets_all_of_it() -> None:
    files = static_files()
    joined = files["pages.css"][0]
    for name, (data, kind) in files.items():
        if kind == "text/css" and "/" not in name and name not in ("pages.css", *APART):
            assert data in joined, name
    assert b"htmx" not in files["pages.js"][0][:40]
    assert files["pages.js"][0].startswith(files["mendbay.js"][0])


def test_a_row_of_the_tree_is_marked_only_while_keys_move_there() -> None:
    text = static_files()["files.css"][0].decode()
    rules = re.findall(r"([^{}\n]*\.f-row\.at[^{}]*)\{", text)
    assert rules
    assert all(one.strip().startswith("#tree:focus") for one in rules), "a mark on a row looks like a choice"

"""What the pages of a shop in the middle of its work offer, found once for every test of this process."""

from __future__ import annotations

import re
from collections.abc import Callable, Iterator, Mapping
from contextlib import contextmanager
from dataclasses import dataclass
from functools import cache
from pathlib import Path
from urllib.parse import unquote

from mendbay.core.clock import SystemClock
from mendbay.faces.web.addresses import Address
from mendbay.faces.web.app import book_of_all
from mendbay.jobs.work_port import WorkOrder
from mendbay.outlets.work_shelf import WorkShelf
from support.lively_home import READ, YOUNG, lively_home
from support.page_forms import Offered, offered
from support.scratch import scratch
from support.web_client import web_on

BOOK = book_of_all()
BEGIN = ("/", "/cases", *(f"/case/{one}" for one in (READ, YOUNG, 2, 1)))
NOT_HERE = ("device", "device_1", "device_2")
"""Fields that name drives of this machine, which no test may touch."""
REFUSALS = (404, 410, 422)
"""Answers that come before the work behind an address begins: there is no such thing, or it cannot be
understood."""


@dataclass(frozen=True)
class Lively:
    """The home that is copied, and what its pages offer.

    Args:
        parts: by the name of a part of a path, what stands there in addresses that are offered.
        words: by the name of a field, what is said in it.
    """

    home: Path
    offered: Mapping[str, list[Offered]]
    parts: Mapping[str, list[str]]
    words: Mapping[str, list[str]]


@cache
def lively_offers() -> Lively:
    """The home and its offers; nobody may change that home."""
    home = lively_home(scratch("offers") / "home")
    with web_on(home) as web:
        found = offered(web, BOOK, BEGIN)
    parts: dict[str, list[str]] = {}
    words: dict[str, list[str]] = {}
    for name, ways in found.items():
        for one in ways:
            for part, value in parts_of(BOOK.addresses[name], one.path).items():
                parts.setdefault(part, []).append(value)
            for said, value in one.said:
                if value and value not in words.setdefault(said, []):
                    words[said].append(value)
    return Lively(home, found, parts, words)


def parts_of(address: Address, path: str) -> dict[str, str]:
    """What stands in the variable parts of a path."""
    names = [name for name, _ in address.parts()]
    wanted = re.sub(r"\{\w+(?::int)?\}", "([^/]+)", address.path)
    found = re.fullmatch(wanted, path)
    return dict(zip(names, map(unquote, found.groups()), strict=True)) if found else {}


@contextmanager
def orders_that_live() -> Iterator[Callable[[Path, WorkOrder], None]]:
    """In the place of a start: the work is ordered, and a stand-in of its process lives until the end of the
    `with`."""
    living: list[tuple[WorkShelf, str]] = []

    def order_living(home: Path, order: WorkOrder) -> None:
        shelf = WorkShelf(home, SystemClock())
        shelf.begin(order)
        living.append((shelf, order.id))

    try:
        yield order_living
    finally:
        for shelf, work in living:
            shelf.let_go(work)


def order_alone(home: Path, order: WorkOrder) -> None:
    """In the place of a start: the work is ordered, and broken off before it begins."""
    shelf = WorkShelf(home, SystemClock())
    shelf.begin(order)
    shelf.let_go(order.id)

"""Every page, paper and list that can be reached, read for what is alive in it."""

from __future__ import annotations

import csv
import io
import json
import re
from collections import Counter, deque
from collections.abc import Iterable, Iterator
from urllib.parse import urlsplit

from pypdf import PdfReader

from support.harmless import require_harmless
from support.page_forms import links_of
from support.web_client import Web

UNSEEN = re.compile("[\x00-\x08\x0b\x0c\x0e-\x1f\x7f-\x9f\u202a-\u202e\u2066-\u2069]")
"""What acts on a terminal or turns the direction of writing."""
FORMULA = re.compile(r"[=+@\t\r]|-(?![0-9.]+$)")
"""Begins a cell that a table reckons with."""


def look_everywhere(web: Web, begin: Iterable[str], of_one_kind: int) -> Iterator[str]:
    """The words of whatever can be reached from some pages, once nothing alive was found in it.

    Args:
        of_one_kind: pages of one address that are looked at of each case.
    """
    met, looked = set[str](), Counter[str]()
    waiting = deque(begin)
    while waiting:
        url = waiting.popleft()
        kind = re.sub(r"(?<!case/)\b\d+\b", "N", urlsplit(url).path)
        if url in met or looked[kind] >= of_one_kind or kind.startswith("/static"):
            continue
        met.add(url)
        looked[kind] += 1
        answer = web.client.get(url)
        assert answer.status_code < 500, url
        sort = answer.headers.get("content-type", "").split(";")[0]
        attached = "content-disposition" in answer.headers
        said = words_of(answer.content) if sort == "application/pdf" else answer.text
        require_dead(said, sort, url, attached=attached)
        if sort == "text/html" and not attached:
            waiting += [one.partition("#")[0] for one in links_of(said) if one.startswith("/")]
        yield said


def require_dead(said: str, sort: str, where: object, *, attached: bool = False) -> None:
    """Nothing in what was answered or written is alive, by what sort of thing it is."""
    assert not re.search(r"zq\w+z.{0,60}49%", said), (where, "a template was filled")
    if sort == "text/html" and not attached:
        require_harmless(said)
        assert not UNSEEN.search(said), where
    elif sort == "text/html":  # a page to be sent to a customer, with a script of ours
        assert not re.search("<svg onload|<img src=x", said), where
    elif sort == "text/csv":
        cells = [cell for row in csv.reader(io.StringIO(said)) for cell in row]
        assert not [one for one in cells if FORMULA.match(one)], where
    elif sort == "application/pdf":
        assert not UNSEEN.search(said), where
    elif sort == "application/json":
        json.loads(said)
    if sort in ("text/csv", "application/json", "text/plain"):
        assert not re.search("[\x00-\x08\x0b\x0c\x0e-\x1f]", said), where


def words_of(pdf: bytes) -> str:
    """What stands on a paper, without blanks."""
    return "".join("".join(page.extract_text() for page in PdfReader(io.BytesIO(pdf)).pages).split())

"""What was broken, in words where a sentence names it as it is typed."""

from __future__ import annotations

import re
from collections.abc import Mapping


def broken_in_words(text: str, places: Mapping[str, str]) -> str:
    """A sentence in which `heads:1` is told in words.

    Args:
        places: as it is typed, what it is called; those that are a plain word already stay as they are.
    """
    typed = sorted((one for one in places if ":" in one or "-" in one), key=len, reverse=True)
    if not typed:
        return text
    found = re.compile(rf"(?<![\w:-])(?:{'|'.join(map(re.escape, typed))})(?![\w:-])")
    return found.sub(lambda one: places[one[0]], text)

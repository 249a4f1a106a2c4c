"""What the jobs need to make papers and messages for a customer. Wiring hands in what fulfils it."""

from __future__ import annotations

from collections.abc import Mapping
from typing import Any, Protocol


class Stationery(Protocol):
    """The shop's papers: a wording that the shop can edit, filled with the facts of a case.

    Facts are plain values: texts, whole numbers, yes or no, and lists and mappings of them. The wording is
    CommonMark with tables and the marks of `docs/formats/papers.md`.
    """

    def words(self, paper: str, facts: Mapping[str, Any]) -> str:
        """The paper as plain text, for a message.

        Args:
            paper: name of the wording, such as `quote`.

        Raises:
            BadFormFile: the wording asks for something that there is not, or is not sound.
            UsageError: there is no such paper.
        """
        ...

    def pdf(self, paper: str, facts: Mapping[str, Any]) -> bytes:
        """The paper to be printed; its bytes depend on wording and facts alone.

        Raises:
            BadFormFile: the wording asks for something that there is not, or is not sound.
            UsageError: there is no such paper.
        """
        ...

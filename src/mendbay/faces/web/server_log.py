"""What the server says at the terminal it runs in. Addresses and names come from outside, and so do the
faults that tell of them: nothing of it moves the cursor or speaks to the terminal."""

from __future__ import annotations

import logging
import sys

from mendbay.faces.plain_text import without_controls


class PlainRecords(logging.Formatter):
    """Writes out whatever would act on a terminal."""

    def formatMessage(self, record: logging.LogRecord) -> str:  # noqa: N802, the library's name
        """What is said, in one line."""
        return without_controls(super().formatMessage(record).rstrip(), one_line=True)

    def format(self, record: logging.LogRecord) -> str:
        """The same with the story of a fault below it."""
        return without_controls(super().format(record))


def log_plainly() -> None:
    """From now on this process says its warnings and faults that way, whoever says them. Servers made after
    it must bring no way of their own (`log_config=None`)."""
    handler = logging.StreamHandler(sys.stderr)
    handler.setFormatter(PlainRecords())
    logging.basicConfig(handlers=[handler], level=logging.WARNING, force=True)

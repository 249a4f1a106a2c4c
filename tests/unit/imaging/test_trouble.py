"""The class of an error.

Source of the pairs of block status and errno: Linux, block/blk-core.c, `blk_errors`
(from memory, kernel 6.x).
"""

from __future__ import annotations

import errno

import pytest

from mendbay.core.span import Span
from mendbay.imaging.attempt import Attempt, Outcome
from mendbay.imaging.trouble import Trouble, of_errno, trouble_in, trouble_of

BLOCK_STATUS = [
    ("BLK_STS_MEDIUM", errno.ENODATA, Trouble.MEDIA),
    ("BLK_STS_TRANSPORT", errno.ENOLINK, Trouble.LINK),
    ("BLK_STS_TARGET", errno.EREMOTEIO, Trouble.UNKNOWN),
    ("BLK_STS_TIMEOUT", errno.ETIMEDOUT, Trouble.HANG),
    ("BLK_STS_DURATION_LIMIT", errno.ETIME, Trouble.HANG),
    ("BLK_STS_OFFLINE", errno.ENODEV, Trouble.GONE),
    ("BLK_STS_IOERR", errno.EIO, Trouble.UNKNOWN),
    ("BLK_STS_PROTECTION", errno.EILSEQ, Trouble.UNKNOWN),
]


@pytest.mark.parametrize(("status", "number", "trouble"), BLOCK_STATUS)
def test_the_kernels_block_status_is_classed(status: str, number: int, trouble: Trouble) -> None:
    assert of_errno(errno.errorcode[number]) is trouble, status


def test_what_a_reader_knows_better_counts_first() -> None:
    def classed(outcome: Outcome, error: str = "EIO", trouble: str = "") -> Trouble | None:
        return trouble_in(Attempt(Span(0, 512), outcome, memoryview(b""), 1.0, error, trouble))

    assert classed(Outcome.REFUSED, trouble=Trouble.ADDRESS) is Trouble.ADDRESS
    assert classed(Outcome.REFUSED) is Trouble.UNKNOWN
    assert classed(Outcome.HUNG, "no answer") is Trouble.HANG
    assert classed(Outcome.HUNG, "vanished") is Trouble.GONE
    assert classed(Outcome.VANISHED, "too few bytes") is Trouble.GONE
    assert classed(Outcome.GIVEN, "") is None


def test_words_of_a_log_that_are_not_known_are_no_class() -> None:
    assert trouble_of("refused", "EIO", "of another version") is Trouble.UNKNOWN
    assert trouble_of("waived", "") is None

"""What a drive says of a read it refused, and what is left of that in the errno of a plain read.

Keys and codes of the sense: SPC-4, tables of sense keys and additional codes. What the kernel makes of them:
drivers/scsi/scsi_error.c, `scsi_check_sense` and the host bytes it sets; drivers/scsi/scsi_lib.c,
`scsi_result_to_blk_status`; block/blk-core.c, `blk_errors` (kernel 6.x). All from memory.
"""

from __future__ import annotations

import errno

import pytest

from mendbay.imaging import sense
from mendbay.imaging.trouble import Trouble, of_errno

READS = [
    (0x3, 0x11, 0x00, errno.ENODATA, "unrecovered read error"),
    (0x3, 0x11, 0x04, errno.ENODATA, "unrecovered read error, auto reallocate failed"),
    (0x3, 0x13, 0x00, errno.ENODATA, "address mark not found for data field"),
    (0x3, 0x14, 0x01, errno.ENODATA, "record not found"),
    (0x3, 0x31, 0x00, errno.EIO, "medium format corrupted"),
    (0x5, 0x21, 0x00, errno.EREMOTEIO, "logical block address out of range"),
    (0x4, 0x44, 0x00, errno.EREMOTEIO, "internal target failure"),
    (0x4, 0x15, 0x01, errno.EREMOTEIO, "mechanical positioning error"),
    (0xB, 0x47, 0x00, errno.EIO, "SCSI parity error: an interface CRC error of an ATA drive"),
    (0xB, 0x47, 0x03, errno.EIO, "information unit iuCRC error detected"),
]
"""Key, code, qualifier; the errno a direct read ends with once the kernel's own tries are over; in words."""


def told(key: int, code: int, qualifier: int, *, is_fixed: bool) -> sense.Sense:
    """Sense of a read as a drive sends it, taken apart."""
    raw = bytearray(32)
    if is_fixed:
        raw[0], raw[2], raw[7], raw[12], raw[13] = 0x70, key, 10, code, qualifier
    else:
        raw[:4] = 0x72, key, code, qualifier
    found = sense.parse_sense(bytes(raw), passed_through=False)
    assert found is not None
    return found


@pytest.mark.parametrize("is_fixed", [True, False])
@pytest.mark.parametrize(("key", "code", "qualifier", "number", "words"), READS)
def test_the_errno_says_less_than_the_sense_and_never_otherwise(
    key: int, code: int, qualifier: int, number: int, words: str, is_fixed: bool
) -> None:
    by_sense = sense.trouble_of(told(key, code, qualifier, is_fixed=is_fixed))
    by_errno = of_errno(errno.errorcode[number])
    assert str(by_sense) in {
        str(Trouble.MEDIA),
        str(Trouble.LINK),
        str(Trouble.ADDRESS),
        str(Trouble.DRIVE_FAULT),
    }
    assert by_errno is Trouble.UNKNOWN or str(by_errno) == str(by_sense), words


def test_what_one_errno_stands_for() -> None:
    """Several kinds of trouble end with one errno: then it must say none of them."""
    kinds: dict[int, set[str]] = {}
    for key, code, qualifier, number, _ in READS:
        kinds.setdefault(number, set()).add(str(sense.trouble_of(told(key, code, qualifier, is_fixed=True))))
    assert kinds == {
        errno.ENODATA: {"media"},
        errno.EREMOTEIO: {"address", "drive fault"},
        errno.EIO: {"media", "link"},
    }
    for number, found in kinds.items():
        assert (of_errno(errno.errorcode[number]) is Trouble.UNKNOWN) == (len(found) > 1)

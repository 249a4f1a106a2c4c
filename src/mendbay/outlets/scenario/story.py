"""The invented story every demo part keeps to: who, what, and when. No name here belongs to anyone.

A pottery studio kept its work on a two-bay box that mirrored everything. In late October the drive in bay
2 was scratched and fell out of the mirror; nobody noticed, and the studio went on working on bay 1 alone
until a wrong power adapter burnt the board of that drive on 20 November.
"""

from __future__ import annotations

from datetime import UTC, datetime

STUDIO = "Quillmere Pottery"
OWNER = "Maren Tolk"
BOX_MODEL = "Tarn Shelf 2"
DRIVE_MAKER = "Alder"
DRIVE_MODEL = "AL20-HX4"
SERIALS = ("AH4K-20719C", "AH4K-20733F")
VOLUME_LABEL = "STUDIO"
ARRAY_NAME = "tarn-2b:0"


def moment(year: int, month: int, day: int, hour: int = 12, minute: int = 0, second: int = 0) -> int:
    """That moment, UTC, in seconds since 1970."""
    return int(datetime(year, month, day, hour, minute, second, tzinfo=UTC).timestamp())


BOX_SET_UP_AT = moment(2026, 2, 27, 9, 30)
LAST_SHARED_WRITE_AT = moment(2026, 10, 20, 18, 45)
"""The last time a file changed while both bays still took part; days before they parted."""
PARTED_AT = moment(2026, 10, 28, 3, 11, 7)
NEWEST_FIRING_AT = moment(2026, 11, 19, 21, 30)
BURNT_AT = moment(2026, 11, 20, 16, 58, 12)


def month_of(at: int) -> str:
    """The month of a moment, as `2026-05`."""
    return datetime.fromtimestamp(at, UTC).strftime("%Y-%m")

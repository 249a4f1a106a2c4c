"""What a partition table says, whichever kind it is."""

from __future__ import annotations

from dataclasses import dataclass, field
from enum import StrEnum

from mendbay.core.span import Span, SpanSet


class TableKind(StrEnum):
    """Which kind of table a drive has."""

    GPT = "gpt"
    MBR = "mbr"
    NONE = "none"


@dataclass(frozen=True, slots=True)
class Partition:
    """One partition.

    `number` counts as the kernel does: the place of the entry in a GPT, 1-4 for a primary and 5 upwards
    for a logical partition of an MBR. `span` is in bytes of the drive and may reach past the end of a
    drive that was cut short. `type_id` is a GUID in lower case, or two hex digits for an MBR. `is_container`
    is an extended partition: it holds logical ones and no data of its own.
    """

    number: int
    span: Span
    type_id: str
    name: str = ""
    unique_id: str = ""
    attributes: int = 0
    is_container: bool = False


@dataclass(frozen=True, slots=True)
class PartitionTable:
    """The partitions of a drive, in the order of their numbers.

    `sector_bytes` is the unit the table counts in, which can differ from the drive's own. `unreadable`
    are the places that had to be looked at and could not be read: with kind `none`, an empty set means
    that there is no table, and anything else that it is not known. `remarks` are sentences.
    `may_be_left_over` says that only a backup at the end was found and nothing at the start, which is how
    it looks on a drive whose table was overwritten, and also on one that was put to another use.
    """

    kind: TableKind
    partitions: tuple[Partition, ...] = ()
    sector_bytes: int = 512
    remarks: tuple[str, ...] = ()
    unreadable: SpanSet = field(default_factory=SpanSet)
    may_be_left_over: bool = False

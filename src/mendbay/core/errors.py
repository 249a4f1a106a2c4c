"""What can go wrong in a way a person must know about.

One class is one kind of trouble: its docstring is the row in `docs/exit-codes.md`, its `exit_code` what
the command line returns. A refused read is not here: it is data.

    MendbayError
    ├── UsageError            2   (the command line's own)
    ├── SourceError          10   ├── SourceBusy 11, SourceTooSmall 12, SourceChanged 13
    ├── DriveVanished        14   └── DriveDied 15
    ├── HeldBack             16
    ├── WrongDrive           17
    ├── DestinationError     20   ├── NoRoom 21, DestinationOnSource 22
    ├── ImageBusy            23
    ├── ForeignImage         24
    ├── DamagedCheckpoint    25
    ├── ImageChanged         26
    ├── CannotAssemble       30
    ├── NoFileSystem         31
    ├── NothingWanted        32
    ├── BagInvalid           33
    ├── LedgerError          40   ├── NoSuchCase 41, CustodyBroken 42, NoSuchItem 43, CaseForgotten 44
    ├── ToolMissing          50
    ├── PictureUnusable      51
    ├── BadFormFile          52
    ├── CannotServe          53
    ├── ChangedMeanwhile     54
    ├── DumpUnproven         60
    ├── TransferRefused      61
    ├── ProgrammerError      62
    ├── TransferIncomplete   63
    ├── ErasureRefused       90
    ├── ErasureIncomplete    91
    └── Interrupted         130
"""

from __future__ import annotations

EXIT_DONE = 0
"""Done, nothing missing."""
EXIT_INCOMPLETE = 3
"""Finished, but not everything could be had: what is missing is listed."""


class MendbayError(Exception):
    """Something unforeseen went wrong inside Mendbay; the message says where to report it.

    Args:
        what: one sentence: what was asked, what was found.
        next_step: one sentence: what to do now.
    """

    exit_code = 70

    def __init__(self, what: str, next_step: str) -> None:
        self.what = _ended(what)  # may begin with a name of a file, whose case counts
        self.next_step = _ended(_begun(next_step))
        super().__init__(self.what)


def _begun(text: str) -> str:
    """The text with a capital, unless it begins with a command or the name of a file, which must be typed
    as they are."""
    first = text.split(" ", 1)[0]
    return text if first == "mendbay" or "/" in first else text[:1].upper() + text[1:]


def _ended(text: str) -> str:
    """The text with a full stop at its end."""
    return text if text.endswith((".", "?", "!")) else f"{text}."


class UsageError(MendbayError):
    """The command, or a file it was given, is not something Mendbay understands."""

    exit_code = 2


class SourceError(MendbayError):
    """The source cannot be used: missing, neither a block device nor a file, or not to be opened."""

    exit_code = 10


class SourceBusy(SourceError):
    """The source is mounted or in use by something else, so its bytes could change while they are read."""

    exit_code = 11


class SourceTooSmall(SourceError):
    """The source holds no whole sector, or is smaller than what is said to lie on it."""

    exit_code = 12


class SourceChanged(SourceError):
    """The source does not hold the same drive as before: its identity, size or sampled content differ."""

    exit_code = 13


class DriveVanished(MendbayError):
    """The drive no longer answers at all; it usually wants its power cut and restored."""

    exit_code = 14


class DriveDied(DriveVanished):
    """The drive refuses everything, also what it gave before."""

    exit_code = 15


class HeldBack(MendbayError):
    """The customer refused or was not asked, or triage or a board's sheet forbids power; nothing began."""

    exit_code = 16


class WrongDrive(SourceError):
    """The drive says another serial number than its bay has, or that of another bay; nothing was begun."""

    exit_code = 17


class DestinationError(MendbayError):
    """The destination cannot be written to, or already holds something else."""

    exit_code = 20


class NoRoom(DestinationError):
    """The destination has too little free space; nothing already written is lost."""

    exit_code = 21


class DestinationOnSource(DestinationError):
    """The destination lies on the source itself."""

    exit_code = 22


class ImageBusy(MendbayError):
    """Another Mendbay process is writing to this image."""

    exit_code = 23


class ForeignImage(MendbayError):
    """The image, or its checkpoint, belongs to another drive, or lies in another case's folder."""

    exit_code = 24


class DamagedCheckpoint(MendbayError):
    """The checkpoint beside an image is damaged or does not fit the image."""

    exit_code = 25


class ImageChanged(MendbayError):
    """The image no longer holds what the drive gave: damaged or edited since; where, is listed."""

    exit_code = 26


class CannotAssemble(MendbayError):
    """The members do not make a pair: no description found, or they belong to different sets."""

    exit_code = 30


class NoFileSystem(MendbayError):
    """No file system that Mendbay can read was found on the volume."""

    exit_code = 31


class NothingWanted(MendbayError):
    """No file matches what was asked for."""

    exit_code = 32


class BagInvalid(MendbayError):
    """A hand-back or a saved copy is not complete or not valid: a file is missing, changed or not listed."""

    exit_code = 33


class LedgerError(MendbayError):
    """The shop's ledger cannot be opened, or was written by a newer Mendbay."""

    exit_code = 40


class NoSuchCase(LedgerError):
    """The ledger has no such case, or the case no such bay or image."""

    exit_code = 41


class CustodyBroken(LedgerError):
    """The custody log does not verify: an entry was changed, removed or put in between."""

    exit_code = 42


class NoSuchItem(LedgerError):
    """The stock, or the case, has no item of that number or name."""

    exit_code = 43


class CaseForgotten(LedgerError):
    """The case was forgotten on purpose: what named a person is removed, and nothing can be added to it."""

    exit_code = 44


class ToolMissing(MendbayError):
    """A system program that this job needs is not installed; the message names its Debian package."""

    exit_code = 50


class PictureUnusable(MendbayError):
    """A picture cannot be read at all: not a picture, damaged, or larger than is taken."""

    exit_code = 51


class BadFormFile(MendbayError):
    """A data file of the shop (number forms, expected readings, learned rules) does not follow its rules."""

    exit_code = 52


class CannotServe(MendbayError):
    """The bench cannot be served at that address: something else listens there, or the machine lacks it."""

    exit_code = 53


class ChangedMeanwhile(MendbayError):
    """Somebody changed what a form was about after its page was shown; nothing was overwritten."""

    exit_code = 54


class DumpUnproven(MendbayError):
    """A ROM dump is not proven sound: too few agreeing reads, a fault in the reads, or a failed rule."""

    exit_code = 60


class TransferRefused(MendbayError):
    """A transfer would put data at risk, or the chip is not the one its plan names; nothing was written."""

    exit_code = 61


class ProgrammerError(MendbayError):
    """The programming adapter or the chip on it does not answer as it must."""

    exit_code = 62


class TransferIncomplete(MendbayError):
    """A chip was written in part or reads back wrong; the dump is safe and the plan can be started again."""

    exit_code = 63


class ErasureRefused(MendbayError):
    """Copies may not be erased: too early, no proof of a hand-back, or a file is not what was planned."""

    exit_code = 90


class ErasureIncomplete(MendbayError):
    """Some of the planned copies could not be erased; which are is known, and the same command goes on."""

    exit_code = 91


class Interrupted(MendbayError):
    """Stopped from the keyboard; what was read is kept and the same command goes on from there."""

    exit_code = 130


def all_errors() -> tuple[type[MendbayError], ...]:
    """Every class of trouble of Mendbay's, `MendbayError` itself included, by falling generality then exit
    code."""
    found: list[type[MendbayError]] = []
    waiting: list[type[MendbayError]] = [MendbayError]
    while waiting:
        one = waiting.pop()
        found.append(one)
        waiting.extend(each for each in one.__subclasses__() if each.__module__.startswith("mendbay."))
    return tuple(sorted(found, key=lambda one: one.exit_code))

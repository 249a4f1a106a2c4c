"""The options of each kind of work, read strictly: a work must not begin on a word that nobody understood."""

from __future__ import annotations

import math
from collections.abc import Callable, Mapping
from dataclasses import dataclass, field
from datetime import date
from pathlib import Path
from typing import Any

from mendbay.core.errors import UsageError
from mendbay.core.texts import require_characters
from mendbay.handback.erasure import Sort
from mendbay.imaging.assumptions import Assumptions
from mendbay.imaging.going_on import HEAD_WORK_GIVES, Stakes
from mendbay.imaging.hazard import Condition
from mendbay.jobs.chip_work_options import ReadChip, WriteChip, read_chip_options, write_chip_options
from mendbay.jobs.file_work_options import CheckHandBack, ReadFile
from mendbay.jobs.power_permit import Although
from mendbay.jobs.read_drive import DriveAt
from mendbay.jobs.reading_terms import assumptions, stakes_of
from mendbay.jobs.work_options_office import EraseCopies, ExportCase, LearnFamily, PlanErasure
from mendbay.jobs.work_port import OF_THE_SHOP, WorkKind, WorkOrder

TEXT_LIMIT = 4096
"""Letters of one option: a path is no longer on any usual system."""
LIST_LIMIT = 1000
SECTORS = (512, 4096)


@dataclass(frozen=True, slots=True)
class Terms:
    """How a drive is to be read. Seconds; `seconds` None: until nothing is left to try."""

    although: Although
    seconds: float | None = None
    assumed: Assumptions = field(default_factory=Assumptions)
    stakes: Stakes = field(default_factory=Stakes)
    patience_seconds: float = 30.0
    sector_bytes: int = 512
    question_seconds: float = 30.0


@dataclass(frozen=True, slots=True)
class ReadPair:
    """As `pair read` takes them."""

    drives: tuple[DriveAt, ...]
    want: tuple[str, ...]
    only_wanted: bool
    both_whole: bool
    waive_unallocated: bool
    terms: Terms


@dataclass(frozen=True, slots=True)
class ReadDrive:
    """As `drive read` takes them."""

    drive: DriveAt
    terms: Terms


@dataclass(frozen=True, slots=True)
class CompareDrive:
    """As `drive compare` takes them."""

    drive: DriveAt
    terms: Terms


@dataclass(frozen=True, slots=True)
class VerifyImage:
    """As `drive verify` takes them."""

    bay: str
    read_again: str


@dataclass(frozen=True, slots=True)
class AskDrive:
    """As `drive facts` takes them."""

    bay: str
    source: str
    label: str
    terms: Terms


@dataclass(frozen=True, slots=True)
class BlendImages:
    """As `drive blend` takes them."""

    bay: str
    images: tuple[Path, ...]
    although_other_case: str


@dataclass(frozen=True, slots=True)
class HandBack:
    """As `handback make` takes them."""

    folder: Path
    want: tuple[str, ...]
    bays: tuple[str, ...]
    shop: str
    keep_until: str


@dataclass(frozen=True, slots=True)
class ReadPictures:
    """As `board pictures` takes them; no places: those that the case holds already.

    Args:
        names: what whoever sent them calls them, in the same order; none: as they are called there.
    """

    bay: str
    places: tuple[Path, ...]
    names: tuple[str, ...] = ()


@dataclass(frozen=True, slots=True)
class Catalogue:
    """There are none."""


Options = (
    ReadPair
    | ReadDrive
    | CompareDrive
    | VerifyImage
    | AskDrive
    | BlendImages
    | HandBack
    | ReadPictures
    | ReadChip
    | WriteChip
    | Catalogue
    | ExportCase
    | PlanErasure
    | EraseCopies
    | LearnFamily
    | ReadFile
    | CheckHandBack
)


def options_of(order: WorkOrder) -> Options:
    """The options of an order.

    Raises:
        UsageError: one is missing, unknown, of another kind or out of its bounds; or the order is of a case
            and should not be, or of none and should.
    """
    if (order.case == 0) is not (order.kind in OF_THE_SHOP):
        raise UsageError(f"A work {order.kind} cannot be of case {order.case}.", "Order it anew.")
    fields = _Fields(order.options)
    found = _READ[order.kind](fields)
    fields.require_all_read(order.kind)
    return found


def bays_held(options: Options) -> tuple[str, ...]:
    """The bays whose drive, image or chips nothing else may use while the work lives."""
    match options:
        case ReadPair():
            return tuple(one.bay for one in options.drives)
        case ReadDrive() | CompareDrive():
            return (options.drive.bay,)
        case VerifyImage() | AskDrive() | BlendImages() | ReadChip() | WriteChip():
            return (options.bay,)
    return ()


def clip_held(options: Options) -> str:
    """The adapter whose clip no work of any case may use while this one lives; empty for none."""
    match options:
        case ReadChip() | WriteChip():
            return options.clip.programmer
    return ""


class _Fields:
    """The fields of an order, each read once.

    Args:
        given: by name.
    """

    def __init__(self, given: Mapping[str, Any]) -> None:
        self._given = given
        self._read: set[str] = set()

    def text(self, name: str, *, needed: bool = False) -> str:
        value = self._take(name, "")
        if not isinstance(value, str) or len(value) > TEXT_LIMIT:
            raise _not_taken(name, "a text")
        require_characters(value, name)
        if needed and not value.strip():
            raise UsageError(f"The option {name} is missing.", f"Say {name}.")
        return value

    def texts(self, name: str) -> tuple[str, ...]:
        value = self._take(name, ())
        if not isinstance(value, (list, tuple)) or len(value) > LIST_LIMIT:
            raise _not_taken(name, "a list of texts")
        return tuple(self._one_of(name, one) for one in value)

    def by_bay(self, name: str) -> dict[str, str]:
        value = self._take(name, {})
        if not isinstance(value, Mapping) or len(value) > LIST_LIMIT:
            raise _not_taken(name, "texts by bay")
        return {self._one_of(name, bay): self._one_of(name, one) for bay, one in value.items()}

    def flag(self, name: str) -> bool:
        value = self._take(name, False)
        if not isinstance(value, bool):
            raise _not_taken(name, "yes or no")
        return value

    def number(self, name: str, least: float, most: float, usual: float | None = None) -> float | None:
        value = self._take(name, usual)
        if value is None:
            return usual
        if isinstance(value, bool) or not isinstance(value, (int, float)) or not math.isfinite(value):
            raise _not_taken(name, "a number")
        if not least <= value <= most:
            upper = "" if most == math.inf else f" and not above {most:g}"
            raise UsageError(f"{name} is {value:g}.", f"Say a number not below {least:g}{upper}.")
        return float(value)

    def require_all_read(self, kind: WorkKind) -> None:
        """Refuses what this kind of work does not know."""
        unknown = sorted(set(self._given) - self._read)
        if unknown:
            raise UsageError(
                f"{kind} knows no option {unknown[0][:60]!r}.", f"It knows {', '.join(sorted(self._read))}."
            )

    def _take(self, name: str, usual: Any) -> Any:
        self._read.add(name)
        return self._given.get(name, usual)

    def _one_of(self, name: str, value: object) -> str:
        if not isinstance(value, str) or not value or len(value) > TEXT_LIMIT:
            raise _not_taken(name, "texts")
        require_characters(value, name)
        return value


def _not_taken(name: str, what: str) -> UsageError:
    return UsageError(f"The option {name} is not {what}.", f"Give {name} as {what}.")


def _condition(word: str) -> Condition | None:
    if not word:
        return None
    try:
        return Condition(word)
    except ValueError:
        words = ", ".join(Condition)
        raise UsageError(f"'{word[:60]}' is no condition of a drive.", f"Say one of {words}.") from None


def _although(fields: _Fields, *, serial: bool = True) -> Although:
    return Although(
        fields.text("although_refused"),
        fields.text("although_harmful"),
        fields.text("although_other_serial") if serial else "",
        fields.flag("customer_asked"),
    )


def _seconds(fields: _Fields) -> float | None:
    minutes = fields.number("minutes", 0, math.inf)
    return None if minutes is None else minutes * 60


def _sector_bytes(fields: _Fields) -> int:
    sector = fields.number("sector", 512, 4096, 512)
    if sector not in SECTORS:
        raise UsageError(f"A sector of {sector:g} bytes is not known.", "Say 512 or 4096.")
    return int(sector or 512)


def _terms(fields: _Fields) -> Terms:
    tries = fields.number("tries", 1, 100)
    if tries is not None and tries != int(tries):
        raise _not_taken("tries", "a whole number")
    percent = fields.number("head_work_gives", 0, 100, 100 * HEAD_WORK_GIVES)
    return Terms(
        although=_although(fields),
        seconds=_seconds(fields),
        assumed=assumptions(None if tries is None else int(tries)),
        stakes=stakes_of(fields.text("worth"), fields.text("bench_hour"), percent or 0.0),
        patience_seconds=fields.number("patience", 0.1, 3600, 30.0) or 30.0,
        sector_bytes=_sector_bytes(fields),
    )


def _read_pair(fields: _Fields) -> ReadPair:
    sources, adapters, conditions = map(fields.by_bay, ("sources", "adapters", "conditions"))
    if not sources:
        raise UsageError("No drive is named.", "Say where the drive of each bay is.")
    for bay in (*adapters, *conditions):
        if bay not in sources:
            raise UsageError(
                f"An option speaks of bay {bay}, but no drive was given for it.",
                f"Given were drives for bay {' and bay '.join(sources)}.",
            )
    ask = not fields.flag("ask_nothing")
    drives = tuple(
        DriveAt(bay, where, adapters.get(bay, ""), ask, _condition(conditions.get(bay, "")))
        for bay, where in sources.items()
    )
    return ReadPair(
        drives,
        fields.texts("want"),
        fields.flag("only_wanted"),
        fields.flag("both_whole"),
        fields.flag("waive_unallocated"),
        _terms(fields),
    )


def _one_drive(fields: _Fields, condition: str = "") -> DriveAt:
    return DriveAt(
        fields.text("bay", needed=True),
        fields.text("source", needed=True),
        fields.text("adapter"),
        not fields.flag("ask_nothing"),
        _condition(condition),
    )


def _read_drive(fields: _Fields) -> ReadDrive:
    return ReadDrive(_one_drive(fields, fields.text("condition")), _terms(fields))


def _compare_drive(fields: _Fields) -> CompareDrive:
    terms = Terms(_although(fields), _seconds(fields), sector_bytes=_sector_bytes(fields))
    return CompareDrive(_one_drive(fields), terms)


def _verify_image(fields: _Fields) -> VerifyImage:
    return VerifyImage(fields.text("bay", needed=True), fields.text("read_again"))


def _ask_drive(fields: _Fields) -> AskDrive:
    patience = fields.number("patience", 1, 600, 30.0) or 30.0
    return AskDrive(
        fields.text("bay", needed=True),
        fields.text("source", needed=True),
        fields.text("label"),
        Terms(_although(fields, serial=False), question_seconds=patience),
    )


def _blend_images(fields: _Fields) -> BlendImages:
    bay, images = fields.text("bay", needed=True), tuple(map(Path, fields.texts("images")))
    if not images:
        raise UsageError("No image is named.", "Name at least one image of the same drive.")
    for one in images:
        if not one.is_absolute():
            raise UsageError(
                f"The image {one} is not named from the root on.", "Name it with its whole path."
            )
    return BlendImages(bay, images, fields.text("although_other_case"))


def _folder(fields: _Fields) -> Path:
    folder = Path(fields.text("folder", needed=True))
    if not folder.is_absolute():
        raise UsageError(
            f"The folder {folder} is not named from the root on.", "Name the folder with its whole path."
        )
    return folder


def _places(fields: _Fields) -> tuple[Path, ...]:
    places = tuple(map(Path, fields.texts("places")))
    for one in places:
        if not one.is_absolute():
            raise UsageError(f"{one} is not named from the root on.", "Name it with its whole path.")
    return places


def _hand_back(fields: _Fields) -> HandBack:
    folder = _folder(fields)
    keep_until = fields.text("keep_until")
    if keep_until:
        try:
            date.fromisoformat(keep_until)
        except ValueError as trouble:
            raise UsageError(f"'{keep_until[:60]}' is not a day.", "Write it as 2027-02-25.") from trouble
    return HandBack(folder, fields.texts("want"), fields.texts("bays"), fields.text("shop"), keep_until)


def _read_pictures(fields: _Fields) -> ReadPictures:
    bay, places, names = fields.text("bay", needed=True), _places(fields), fields.texts("names")
    if names and len(names) != len(places):
        raise UsageError("The pictures and their names do not match.", "Give each picture a name, or none.")
    return ReadPictures(bay, places, names)


def _catalogue(fields: _Fields) -> Catalogue:
    return Catalogue()


def _export_case(fields: _Fields) -> ExportCase:
    return ExportCase(_folder(fields), fields.flag("with_images"), fields.flag("for_customer"))


def _plan_erasure(fields: _Fields) -> PlanErasure:
    try:
        sorts = tuple(map(Sort, fields.texts("sorts")))
    except ValueError as trouble:
        raise UsageError("There is no such sort of copies.", f"Say of {', '.join(Sort)}.") from trouble
    named = fields.text("hand_back")
    if named and not Path(named).is_absolute():
        raise UsageError(f"{named} is not named from the root on.", "Name it with its whole path.")
    return PlanErasure(sorts, fields.text("reason"), Path(named) if named else None, fields.text("unproven"))


def _erase_copies(fields: _Fields) -> EraseCopies:
    return EraseCopies(fields.text("plan", needed=True), fields.text("digest", needed=True))


def _learn_family(fields: _Fields) -> LearnFamily:
    name, places, names = fields.text("name", needed=True), _places(fields), fields.texts("names")
    if not places or len(places) != len(names):
        raise UsageError("The dumps and their names do not match.", "Give each dump a name.")
    flags = ("also_withdrawn", "also_doubtful", "in_its_place")
    return LearnFamily(name, places, names, *map(fields.flag, flags))


_READ: Mapping[WorkKind, Callable[[_Fields], Options]] = {
    WorkKind.READ_PAIR: _read_pair,
    WorkKind.READ_DRIVE: _read_drive,
    WorkKind.COMPARE_DRIVE: _compare_drive,
    WorkKind.VERIFY_IMAGE: _verify_image,
    WorkKind.ASK_DRIVE: _ask_drive,
    WorkKind.BLEND_IMAGES: _blend_images,
    WorkKind.HAND_BACK: _hand_back,
    WorkKind.READ_PICTURES: _read_pictures,
    WorkKind.READ_CHIP: read_chip_options,
    WorkKind.WRITE_CHIP: write_chip_options,
    WorkKind.CATALOGUE: _catalogue,
    WorkKind.EXPORT_CASE: _export_case,
    WorkKind.PLAN_ERASURE: _plan_erasure,
    WorkKind.ERASE_COPIES: _erase_copies,
    WorkKind.LEARN_FAMILY: _learn_family,
    WorkKind.READ_FILE: lambda fields: ReadFile.of(fields.texts("path")),
    WorkKind.CHECK_HAND_BACK: lambda fields: CheckHandBack.of(fields.text("folder", needed=True)),
}

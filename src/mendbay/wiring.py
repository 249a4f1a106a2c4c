"""Builds the adapters and hands them to the jobs. Faces get everything they need from here.

Every command imports this; what only some of them use is imported where it is built.
"""

from __future__ import annotations

import getpass
import os
from collections.abc import Callable, Iterator, Mapping, Sequence
from contextlib import ExitStack, closing, contextmanager, suppress
from itertools import count
from pathlib import Path
from typing import TYPE_CHECKING, Any, TypeVar

import platformdirs

from mendbay.core.clock import Clock, SystemClock
from mendbay.core.errors import DestinationError, LedgerError
from mendbay.core.texts import require_line
from mendbay.imaging.assumptions import Assumptions
from mendbay.imaging.going_on import Stakes
from mendbay.inlets.bench_drives import UNSTEADY, BenchDrives
from mendbay.jobs.asked_by_works import asked_by_works
from mendbay.jobs.bench import Bench
from mendbay.jobs.board_ports import Programmers, ShopFiles
from mendbay.jobs.events import Said, StepProgress, Tell, silent
from mendbay.jobs.ports import PowerCycle, never, no_power_cycle
from mendbay.jobs.presses_port import Presses
from mendbay.jobs.stationery_port import Stationery
from mendbay.ledger.database import Ledger
from mendbay.outlets.case_files import CaseCabinet
from mendbay.outlets.image_shelf import ImageShelf
from mendbay.outlets.own_folders import close_to_others, make_own
from mendbay.outlets.remembered_file import RememberedFile
from mendbay.outlets.shop_files import ShopFolder

if TYPE_CHECKING:
    from mendbay.board.flash_bus import FlashBus
    from mendbay.board.rom_map import RomMap
    from mendbay.board.stock import StockItem
    from mendbay.case.items import Item
    from mendbay.case.lessons import Row
    from mendbay.core.span import Span
    from mendbay.handback.bag import BagCheck
    from mendbay.handback.facts import BayFacts
    from mendbay.inlets.power_relay import RelaySettings
    from mendbay.jobs.board_ports import Journals, Pictures
    from mendbay.jobs.catalogue_port import Catalogues
    from mendbay.jobs.certify_rom import CertifiedTransfer
    from mendbay.jobs.drive_rings_port import DriveRings
    from mendbay.jobs.erasure_port import Copies, Eraser
    from mendbay.jobs.play_demo import Box
    from mendbay.jobs.ports import HandBackFolder, Papers
    from mendbay.jobs.preview_port import Previews
    from mendbay.jobs.saving_port import LedgerCopies, SavedCopies
    from mendbay.jobs.take_in_page import TakeInPage
    from mendbay.jobs.work_port import Desk, WorkOrder, Works
    from mendbay.ledger.watch import LedgerWatch
    from mendbay.outlets.mediums import Mounted
    from mendbay.outlets.own_fonts import OwnFonts
    from mendbay.outlets.rom_picture import RomDrawn
    from mendbay.outlets.scenario.practice import Practice
    from mendbay.outlets.stationery import OwnPapers
    from mendbay.outlets.work_shelf import WorkShelf
    from mendbay.outlets.work_start import WorkStarter


Found = TypeVar("Found")


def home_folder(chosen: Path | None = None) -> Path:
    """Where cases are kept: the folder chosen, or this machine's place for a program's data."""
    return chosen or Path(platformdirs.user_data_dir("mendbay", appauthor=False))


def person() -> str:
    """Who is at the bench, for custody and papers: `MENDBAY_WHO`, else the account by name or number.

    Raises:
        UsageError: `MENDBAY_WHO` cannot stand on one line of a paper.
    """
    said = os.environ.get("MENDBAY_WHO", "").strip()
    if said:
        require_line(said, "name in MENDBAY_WHO")
        return said
    try:
        return getpass.getuser()
    except (KeyError, OSError):
        return f"account {os.getuid()}"


def has_ledger(home: Path | None = None) -> bool:
    """Whether cases are kept on this machine already."""
    return (home_folder(home) / "ledger.sqlite3").is_file()


def make_home(home: Path | None = None) -> Path:
    """The folder where cases are kept, made for its owner alone if it is not there.

    Raises:
        OSError: it cannot be made.
    """
    folder = home_folder(home)
    make_own(folder)
    return folder


@contextmanager
def open_bench(
    home: Path | None = None,
    *,
    tell: Tell = silent,
    stop: Callable[[], bool] = never,
    power_cycle: PowerCycle = no_power_cycle,
    assumed: Assumptions | None = None,
    stakes: Stakes | None = None,
    patience_seconds: float = 30.0,
    sector_bytes: int = 512,
    question_seconds: float = 30.0,
    who: str | None = None,
) -> Iterator[Bench]:
    """The bench with its ledger open.

    Args:
        home: where cases are kept; None for this machine's default. One that is named and not there is made,
            and that is told: its name may be a slip.
        patience_seconds: how long one read of a drive may take before it is abandoned.
        sector_bytes: of image files used as drives.
        question_seconds: how long the answer to a question about a drive is waited for.
        power_cycle: who is asked to cut and restore a drive's power; the shop's own relay, where one is set
            up, goes first.
        who: the person at the bench; None for whoever this process says (`person`).

    Raises:
        LedgerError: the ledger cannot be opened.
        BadFormFile: the settings of the relay are not sound; looked at only where a drive may need it.
    """
    folder = home_folder(home)
    is_new = home is not None and not folder.exists()
    try:
        make_home(folder)
    except OSError as trouble:
        raise LedgerError(
            f"The folder {folder} for cases cannot be made: {trouble.strerror}.",
            "Choose another with --home or MENDBAY_HOME.",
        ) from trouble
    if is_new:
        tell(Said(f"The folder {folder} was not there: it is made, and has no case in it."))
    for closed in close_to_others(folder / "cases", folder / "exports"):
        tell(Said(f"Others on this machine could look into {closed}; from now on only your account can."))
    if power_cycle is not no_power_cycle:
        power_cycle = _relay_first(folder, tell, stop, power_cycle)
    clock = SystemClock()
    with Ledger(folder / "ledger.sqlite3") as ledger:
        yield Bench(
            ledger=ledger,
            drives=BenchDrives(patience_seconds, sector_bytes, question_seconds),
            images=ImageShelf(folder / "cases", clock, ledger.require_kept),
            shelf=ledger.shelf,
            notes=ledger.notes,
            files=CaseCabinet(folder / "cases", ledger.require_kept),
            shop_files=ShopFolder(folder),
            stationery=LaterStationery(ShopFolder(folder), folder / FONTS),
            clock=clock,
            who=person() if who is None else who,
            tell=tell,
            stop=stop,
            power_cycle=power_cycle,
            assumed=assumed or Assumptions(),
            stakes=stakes or Stakes(),
            remembered=_remembered(folder, ledger),
            forget_works=lambda case: works(folder).forget(case),
            asked_by_works=lambda case: asked_by_works(works(folder), case),
            forget_presses=lambda case: presses(folder).forget(case),
        )


def changes_of(home: Path | None = None, clock: Clock | None = None) -> dict[str, Callable[[], object]]:
    """By what can change in the shop, something to be called that differs after a change, whoever made it.
    To be called in one thread. A new day counts as a change of the ledger: what is due is another then.

    Raises:
        LedgerError: the ledger cannot be opened.
    """
    folder = home_folder(home)
    shelf = works(folder)
    ledger = ledger_watch(folder)
    ledger.now()

    def revision() -> str:
        reap_works()
        return shelf.revision()

    days = clock or SystemClock()
    # whose turn a case is follows from the ledger, the day and the works: a reading that waits for a person
    # is noted nowhere
    return {
        "ledger": lambda: (ledger.now(), days.now().date(), asked_by_works(shelf)),
        "works": revision,
    }


def ledger_watch(home: Path | None = None) -> LedgerWatch:
    """Tells whether the ledger changed or was replaced, and which cases were forgotten; one for all who ask
    in this process."""
    from mendbay.ledger.watch import watch_of  # only for what runs for long

    return watch_of(make_home(home) / "ledger.sqlite3")


def presses(home: Path | None = None) -> Presses:
    """What the last forms of the bench in the browser led to, whichever server of that home did it."""
    from mendbay.outlets.press_files import PressFiles  # only for what serves or forgets

    return PressFiles(home_folder(home) / "presses", ledger_watch(home))


def forget_worked_out(home: Path | None = None) -> None:
    """Lets go of all that was worked out and remembered, as when another ledger was put in its place."""
    _remembered(home_folder(home)).keep({})


def _remembered(folder: Path, ledger: Ledger | None = None) -> RememberedFile:
    return RememberedFile(folder / "worked-out.sqlite3", folder / "worked-out.json", ledger)


def _relay_first(folder: Path, tell: Tell, stop: Callable[[], bool], ask: PowerCycle) -> PowerCycle:
    """The shop's relay before the person at the bench; that person alone where none is set up."""
    text = ShopFolder(folder).text("settings", "power")
    if text is None:
        return ask
    from mendbay.inlets.power_relay import PowerRelay, relay_settings  # few benches have one

    return PowerRelay(relay_settings(text), tell, ask, stop)


FONTS = Path("settings") / "fonts"
"""Where the shop's own fonts are, in its home."""
_LACKING: set[str] = set()


class LaterStationery(Stationery):
    """The shop's papers; template engine and typesetter are loaded with the first one made."""

    def __init__(self, files: ShopFiles, fonts: Path) -> None:
        self._files = files
        self._fonts = fonts

    def words(self, paper: str, facts: Mapping[str, Any]) -> str:
        return self._made().words(paper, facts)

    def pdf(self, paper: str, facts: Mapping[str, Any]) -> bytes:
        return self._made().pdf(paper, facts)

    def _made(self) -> Stationery:
        from mendbay.outlets.stationery import PrintedStationery

        return PrintedStationery(self._files, _fonts_in(self._fonts))


def _fonts_in(folder: Path) -> OwnFonts:
    from mendbay.outlets.own_fonts import OwnFonts  # the typesetter: only when a paper is made

    return OwnFonts(folder, _LACKING.update)


def _own_fonts(home: Path | None) -> OwnFonts:
    return _fonts_in(home_folder(home) / FONTS)


def signs_lacking() -> str:
    """The signs of papers made in this process that no font had, rising, each once."""
    return "".join(sorted(_LACKING))


def open_handback_folder(folder: Path, case_number: str) -> HandBackFolder:
    """The folder a hand-back is written into."""
    from mendbay.outlets.destination import Destination

    return Destination(folder, case_number)


@contextmanager
def export_folder(case: int, home: Path | None = None) -> Iterator[Path]:
    """A fresh folder in the home into which a case can be exported. It is made here, so that two who ask at
    once get two; if what is done within fails, it goes again.

    Raises:
        DestinationError: it cannot be made.
    """
    place = home_folder(home) / "exports"
    try:
        make_own(place.parent, place)
        made = _fresh_folder(place, f"case-{case:04}")
    except OSError as trouble:
        raise DestinationError(
            f"The folder {place} cannot be used: {trouble.strerror}.", "Check its rights."
        ) from trouble
    try:
        yield made
    except BaseException:
        with suppress(OSError):  # unless something lies in it
            made.rmdir()
        raise


def _fresh_folder(place: Path, stem: str) -> Path:
    """A folder made under the first free number, and lasting."""
    for number in count(1):
        with suppress(FileExistsError):
            (place / f"{stem}-{number}").mkdir(mode=0o700)
            break
    folder = os.open(place, os.O_RDONLY | os.O_DIRECTORY | os.O_CLOEXEC)
    try:
        os.fsync(folder)
    finally:
        os.close(folder)
    return place / f"{stem}-{number}"


def papers(home: Path | None = None) -> Papers:
    """What makes the reports.

    Raises:
        BadFormFile: the shop's own fonts cannot be used: told before the first file is copied.
    """
    from mendbay.outlets.documents import PrintedPapers  # the typesetter: only when a report is made

    fonts = _own_fonts(home)
    fonts.require_sound()
    return PrintedPapers(fonts)


def read_pictures_with() -> Pictures:
    """What reads pictures; its process starts with the first one.

    Raises:
        ToolMissing: when it starts, if the libraries of the extra `pictures` are not installed.
    """
    from mendbay.inlets.photo import PictureReader

    return PictureReader()


def previews() -> Previews:
    """What makes previews of pictures, for any number of threads; its processes start with the first one. To
    be closed, or used in a `with` statement.

    Raises:
        ToolMissing: when one starts, if the libraries of the extra `pictures` are not installed.
    """
    from mendbay.inlets.preview import PreviewPool

    return PreviewPool()


def shop_files(home: Path | None = None) -> ShopFiles:
    """The shop's own number forms and learned families."""
    return ShopFolder(home_folder(home))


def own_papers(home: Path | None = None) -> OwnPapers:
    """The wordings of papers, and copies of them for the shop to edit."""
    from mendbay.outlets.stationery import OwnPapers  # the typesetter: only for this

    return OwnPapers(shop_files(home), _own_fonts(home))


def setting_check(name: str) -> Callable[[str], object]:
    """What reads the shop's file of that name in `settings/`, to be called with a text; it raises
    `BadFormFile` with what is wrong with it.

    Raises:
        UsageError: there is no such file.
    """
    from mendbay.jobs.shop_settings import POWER, known_check  # few commands look at settings

    if name == POWER:
        return relay_settings
    return known_check(name)


def relay_settings(text: str) -> RelaySettings:
    """What the text of `settings/power.toml` says.

    Raises:
        BadFormFile: it is not as documented.
    """
    from mendbay.inlets import power_relay  # few commands look at it

    return power_relay.relay_settings(text)


def transfer_journals(home: Path | None = None) -> Journals:
    """The journals of transfers, beside the dumps of each case."""
    from mendbay.outlets.transfer_journals import JournalFiles

    return JournalFiles(home_folder(home) / "cases")


class BenchProgrammers(Programmers):
    """Adapters by their address, and simulated chips as `simulated:FILE`."""

    SIMULATED = "simulated:"

    @contextmanager
    def open(self, name: str) -> Iterator[FlashBus]:
        if name.startswith(self.SIMULATED):
            from mendbay.inlets.simulated_flash_file import open_simulated_flash

            bus: FlashBus = open_simulated_flash(Path(name.removeprefix(self.SIMULATED)))
        else:
            from mendbay.inlets.flash_programmer import open_programmer

            bus = open_programmer(name)
        with closing(bus):
            yield bus

    def is_simulated(self, name: str) -> bool:
        return name.startswith(self.SIMULATED)


def stock_labels(items: Sequence[StockItem], paper: str, skip: int, home: Path | None = None) -> bytes:
    """Labels for items, as PDF.

    Args:
        paper: `A4` or `Letter`.
        skip: how many places of the first sheet are used up.

    Raises:
        UsageError: no items, or more places skipped than a sheet has.
        BadFormFile: the shop's own fonts cannot be used.
    """
    from mendbay.outlets.stock_labels import LabelJob, labels_pdf  # the typesetter: only for this
    from mendbay.outlets.typesetting import Paper

    return labels_pdf(LabelJob(tuple(items), Paper(paper), skip), _own_fonts(home))


def item_labels(items: Sequence[Item], paper: str, skip: int, home: Path | None = None) -> bytes:
    """Labels for the things of a case, as PDF.

    Args:
        paper: `A4` or `Letter`.
        skip: how many places of the first sheet are used up.

    Raises:
        UsageError: no items, or more places skipped than a sheet has.
        BadFormFile: the shop's own fonts cannot be used.
    """
    from mendbay.outlets.item_labels import item_sheets  # the typesetter: only for this
    from mendbay.outlets.label_sheet import sheets_pdf
    from mendbay.outlets.typesetting import Paper

    return sheets_pdf(item_sheets(items, Paper(paper), skip), _own_fonts(home))


def qr_code(text: str, words: str) -> str:
    """The QR code of a text as SVG for a page.

    Args:
        words: what it is, for those who do not see it; plain letters, digits and blanks.
    """
    from mendbay.outlets.qr_picture import qr_svg

    return qr_svg(text, words)


def file_outside(path: Path, limit_bytes: int) -> bytes:
    """The bytes of a file, for what needs no ledger.

    Raises:
        UsageError: not there, not a regular file, or larger than `limit_bytes`.
    """
    return CaseCabinet(Path()).fetch(path, limit_bytes)


def transfer_certificate(facts: CertifiedTransfer, paper: str, shop: str, home: Path | None = None) -> bytes:
    """The certificate of a ROM transfer, as PDF.

    Args:
        paper: `A4` or `Letter`.
        shop: the shop's name; empty to leave it out.

    Raises:
        BadFormFile: the shop's own fonts cannot be used.
    """
    from mendbay.outlets.transfer_certificate import CertificateJob, certificate_pdf  # the typesetter again
    from mendbay.outlets.typesetting import Paper

    return certificate_pdf(CertificateJob(facts, Paper(paper), shop), _own_fonts(home))


def rom_picture(rom: RomMap) -> bytes:
    """The map of a ROM as a picture (SVG), to look at or to print."""
    from mendbay.outlets.rings import LIGHT
    from mendbay.outlets.rom_picture import rom_svg

    return rom_svg(rom, "rom", LIGHT).encode()


def rom_drawing(rom: RomMap, key: str) -> RomDrawn:
    """The parts of the same for a page, in its own colours.

    Args:
        key: letters and digits that no other picture on the page has.
    """
    from mendbay.outlets.rom_picture import rom_drawn

    return rom_drawn(rom, key)


def drive_rings(
    bay: BayFacts,
    key: str,
    *,
    needle_at: int | None = None,
    within: Span | None = None,
    link: Callable[[Span], str] | None = None,
) -> DriveRings:
    """The picture of a drive as rings, or of a range of it, and the same in words.

    Args:
        key: letters and digits that no other picture on the page has.
        needle_at: the byte now being read; None for none.
        link: where the ring of a range leads.
    """
    from mendbay.outlets.rings import drive_rings as drawn

    return drawn(bay, key, needle_at=needle_at, within=within, link=link)


def lesson_plot(title: str, rows: Sequence[Row], colours: Mapping[str, str] | None = None) -> str:
    """Shares with their intervals as a picture (SVG); its names come from outside and are escaped.

    Args:
        colours: for `ground`, `ink`, `slate`, `sand` and `teal`; those of paper if None.
    """
    from mendbay.outlets.lesson_plots import lesson_svg

    return lesson_svg(title, rows) if colours is None else lesson_svg(title, rows, colours)


def lesson_plots(title: str, rows: Sequence[Row], colours: Mapping[str, str]) -> tuple[str, str]:
    """The same as part of a page: for a screen, and as narrow as a telephone.

    Args:
        colours: as of `lesson_plot`.
    """
    from mendbay.outlets.lesson_plots import NARROW, SCREEN, lesson_svg

    wide, narrow = (lesson_svg(title, rows, colours, sheet) for sheet in (SCREEN, NARROW))
    return wide, narrow


def take_in_page(page: TakeInPage) -> str:
    """The questions of take-in as one web page, to be answered on a telephone."""
    from mendbay.outlets.take_in_page import take_in_page as made  # the template engine: only for this

    return made(page)


def write_new_files(files: Mapping[Path, bytes]) -> tuple[Path, ...]:
    """Writes files that must not exist yet; the folder of each is made if it is not there.

    Raises:
        DestinationError: one of them exists (nothing is written then), or they cannot be written.
    """
    there = [one for one in files if one.exists()]
    if there:
        raise DestinationError(f"{there[0]} already exists.", "Choose another name.")
    for path, data in files.items():
        try:
            path.parent.mkdir(parents=True, exist_ok=True)
        except OSError as trouble:
            raise DestinationError(
                f"The folder {path.parent} cannot be made: {trouble.strerror}.", "Choose another."
            ) from trouble
        write_new_file(path, data)
    return tuple(files)


def write_new_file(path: Path, data: bytes) -> None:
    """Writes a file that must not exist yet, durably.

    Raises:
        DestinationError: it exists, or cannot be written.
    """
    try:
        with path.open("xb") as file:
            file.write(data)
            file.flush()
            os.fsync(file.fileno())
    except FileExistsError as trouble:
        raise DestinationError(f"{path} already exists.", "Choose another name.") from trouble
    except OSError as trouble:
        raise DestinationError(
            f"{path} cannot be written: {trouble.strerror}.", "Choose another."
        ) from trouble


def make_practice(folder: Path) -> Practice:
    """Practice material for the board: pictures, a stock list, ROM dumps and simulated chips.

    Raises:
        DestinationError: the folder exists, or cannot be written.
    """
    from mendbay.outlets.scenario import practice  # drawing: only for this

    return practice.make_practice(folder)


def check_handback(folder: Path, tell: Tell = silent) -> BagCheck:
    """What is wrong with the hand-back in a folder, if anything, down to the last digest."""
    from mendbay.outlets.bag_check import check_bag

    seen = 0
    total = sum(1 for one in (folder / "data").rglob("*") if one.is_file()) if folder.is_dir() else 0

    def count(path: str, size_bytes: int) -> None:
        nonlocal seen
        seen += 1
        tell(StepProgress("checking", seen, max(seen, total), path))

    return check_bag(folder, seen=count)


def shop_copies(home: Path | None = None) -> Copies:
    """The copies that the shop holds of its cases."""
    from mendbay.outlets.copies import CaseCopies

    return CaseCopies(home_folder(home) / "cases")


def saved_copies(folder: Path, home: Path | None = None) -> SavedCopies:
    """The saved copy of the whole shop in a folder."""
    from mendbay.ledger.saved import look_at  # only for saving
    from mendbay.outlets.saved_folder import SavedFolder

    return SavedFolder(home_folder(home), folder, look_at)


@contextmanager
def ledger_copies(home: Path | None = None) -> Iterator[LedgerCopies]:
    """What copies the shop's ledger while it is open.

    Raises:
        LedgerError: there is none, or it cannot be opened.
    """
    from mendbay.ledger.saved import ShopLedgerCopies  # only for saving

    place = home_folder(home) / "ledger.sqlite3"
    if not place.is_file():
        raise LedgerError(
            f"There is no shop in {place.parent}, so there is nothing to save.",
            "Name the folder of your cases with --home or MENDBAY_HOME.",
        )
    with Ledger(place) as ledger:
        yield ShopLedgerCopies(ledger)


def catalogues(home: Path | None = None) -> Catalogues:
    """The catalogues of the cases' files. None is kept for a case that was forgotten."""
    from mendbay.outlets.catalogue_shelf import CatalogueShelf  # arrays: only for this

    folder = home_folder(home)

    def require_kept(number: int) -> None:
        with Ledger(folder / "ledger.sqlite3") as ledger:
            ledger.require_kept(number)

    return CatalogueShelf(folder / "cases", require_kept)


def mounted_mediums() -> tuple[Mounted, ...]:
    """The mediums that are plugged into this machine and mounted for writing."""
    from mendbay.outlets.mediums import mounted_mediums as found

    return found()


def looked_at_mount(place: Path, look: Callable[[], Found]) -> Found:
    """What a look at a place gives that may lie on a medium or a share.

    Raises:
        TimeoutError: it does not answer.
        Exception: whatever the look raises.
    """
    from mendbay.outlets.mount_looks import looked

    return looked(place, look)


def report_file(folder: Path, name: str, most_bytes: int) -> bytes:
    """A report that lies in a hand-back folder.

    Raises:
        DestinationError: it is not there, cannot be read, or has more than `most_bytes`.
    """
    from mendbay.outlets.handed_back import report_file as read

    return read(folder, name, most_bytes)


def eraser(home: Path | None = None) -> Eraser:
    """What erases copies by a plan."""
    from mendbay.outlets.eraser import CaseEraser  # arrays: only for this

    return CaseEraser(home_folder(home) / "cases", SystemClock())


def tool() -> str:
    """Name and version of this program, for certificates."""
    from importlib.metadata import version

    return f"mendbay {version('mendbay')}"


def works(home: Path | None = None) -> Works:
    """The long jobs that processes of their own do, as anyone sees them who looks."""
    return _work_shelf(home_folder(home))


def _work_shelf(home: Path) -> WorkShelf:
    from mendbay.outlets.work_shelf import WorkShelf

    return WorkShelf(home, SystemClock())


_STARTERS: list[WorkStarter] = []


def _work_starter() -> WorkStarter:
    """The one of this process: who started a process must take it out of the process table."""
    from mendbay.outlets.work_start import WorkStarter

    if not _STARTERS:
        _STARTERS.append(WorkStarter(WORK_MODULE))
    return _STARTERS[0]


WORK_MODULE = "mendbay.faces.work.process"
"""What the process of a work runs."""


def start_work(home: Path | None, order: WorkOrder) -> None:
    """Places an order and starts the process that does it, detached: it goes on when this one has ended.

    Raises:
        ImageBusy: another living work has one of its bays, or does the very same.
        UsageError: its name or its options cannot be.
        DestinationError: it cannot be written.
        ToolMissing: the process cannot be started.
    """
    folder = home_folder(home)
    _work_starter().start(_work_shelf(folder), folder, order)


def reap_works() -> None:
    """Takes the processes of works that were started here and have ended out of the process table."""
    _work_starter().reap()


@contextmanager
def open_desk(home: Path, work: str) -> Iterator[Desk]:
    """The place of the process that does a work, its lock held, while open.

    Raises:
        UsageError: there is no such work, or it was begun before.
        ImageBusy: another process does it.
        LedgerError: its order is damaged.
    """
    from mendbay.outlets.work_desk import open_desk as opened
    from mendbay.outlets.work_start import lock_handed_over

    with opened(home, work, lock_handed_over()) as desk:
        yield desk


class DemoStage:
    """The demo's box, on real failing block devices where that is possible.

    Args:
        seed: the same seed makes the same box and the same faults.
        simulated: use drives simulated in the process even where real block devices could be had.
    """

    def __init__(self, seed: int, simulated: bool) -> None:
        from mendbay.inlets.failing_loop import available

        self._seed = seed
        self._why_not_real = "asked for" if simulated else available()

    @property
    def why_not_real(self) -> str:
        return self._why_not_real

    def build(self, folder: Path, tell: Tell) -> Box:
        from mendbay.outlets.scenario.box import build_box  # drawing and spreadsheets: only for the demo

        return build_box(folder, self._seed, tell)

    @contextmanager
    def connect(self, box: Box) -> Iterator[Mapping[str, str]]:
        from mendbay.inlets.failing_loop import FailingLoop
        from mendbay.inlets.unsteady_description import load_unsteady

        with ExitStack() as stack:
            if self._why_not_real:
                yield {bay: f"{UNSTEADY}{drive}" for bay, drive in box.drives.items()}
                return
            loops = {
                bay: stack.enter_context(FailingLoop(load_unsteady(drive)))
                for bay, drive in box.drives.items()
            }
            yield {bay: str(loop.path) for bay, loop in loops.items()}

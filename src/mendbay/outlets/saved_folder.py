"""A saved copy as a whole: written, held against its sums, and put back where no home is."""

from __future__ import annotations

import os
import secrets
import shutil
import tempfile
from collections.abc import Callable, Iterator
from contextlib import AbstractContextManager, closing, contextmanager, suppress
from itertools import count
from pathlib import Path

from mendbay.core.errors import BagInvalid, DestinationError, LedgerError, NoRoom
from mendbay.core.quantity import bytes_text, counted
from mendbay.handback import bag
from mendbay.handback.bag import BagFault
from mendbay.jobs.saving_port import Amount, Beat, CopyCheck, LedgerLook, PutBack, SavedCopies, Saving
from mendbay.outlets.bag_check import check_bag
from mendbay.outlets.home_files import LEDGER
from mendbay.outlets.home_in_use import use_of
from mendbay.outlets.own_folders import make_own
from mendbay.outlets.safe_folder import SafeFolder
from mendbay.outlets.saved_copy import SPARE_BYTES, saving_into
from mendbay.outlets.saved_files import copy_bytes, reading, writing
from mendbay.outlets.saved_table import COMING, DATA, LARGEST_TEXT_BYTES, SUMS, Entry, read_table


class SavedFolder(SavedCopies):
    """The copy in one folder.

    Args:
        home: the shop's own.
        folder: of the copy.
        look: at a ledger that nobody else uses.
    """

    def __init__(self, home: Path, folder: Path, look: Callable[[Path], LedgerLook]) -> None:
        self._home = Path(os.path.abspath(home))
        self._folder = Path(os.path.abspath(folder))
        self._look = look

    @property
    def folder(self) -> Path:
        return self._folder

    def saving(self) -> AbstractContextManager[Saving]:
        return saving_into(self._home, self._folder)

    def check(self, beat: Beat) -> CopyCheck:
        told = 0

        def far(done: int, total: int, path: str) -> None:
            nonlocal told
            told, more = done, done - told
            beat(path, more)

        with self._opened() as root:
            found = read_table(root)
            has_sums = root.size_of(SUMS) is not None
            begun = COMING in root.names()
        checked = check_bag(self._folder, far=far)
        faults = list(checked.faults)
        if found is None:
            faults.append(BagFault("it is no saved copy of a shop: saved.json is missing or not ours"))
        if not has_sums:
            faults.append(BagFault("it is no saved copy of a shop: that file is missing", SUMS))
        faults += self._ledger_faults()
        facts = None if found is None else found[0]
        return CopyCheck(facts, Amount(checked.files, checked.size_bytes), tuple(faults), begun)

    @contextmanager
    def _opened(self) -> Iterator[SafeFolder]:
        try:
            root = SafeFolder(self._folder)
        except OSError as trouble:
            raise DestinationError(
                f"The folder {self._folder} cannot be opened: {trouble.strerror}.",
                "Name the folder of a saved copy.",
            ) from trouble
        with closing(root):
            yield root

    def _ledger_faults(self) -> list[BagFault]:
        """What is wrong with the ledger, looked at elsewhere: nothing of the copy is changed."""
        path = f"{DATA}/{LEDGER}"
        with tempfile.TemporaryDirectory(prefix="mendbay-") as work, self._opened() as root:
            try:
                # never through a link: looking may bring a ledger up to the newest form
                with os.fdopen(root.open_read(path), "rb") as source, open(Path(work, LEDGER), "xb") as copy:
                    shutil.copyfileobj(source, copy)
                look = self._look(Path(work, LEDGER))
            except FileNotFoundError:
                return [BagFault("there is no ledger", path)]
            except OSError as trouble:
                return [BagFault(f"the ledger cannot be looked at: {trouble.strerror or trouble}", path)]
            except LedgerError as trouble:
                return [BagFault(trouble.what.replace(str(Path(work, LEDGER)), path), path)]
        return [] if look.broken is None else [BagFault(look.broken.what, path)]

    # ------------------------------------------------------------------ putting back

    def put_back(self, beat: Beat, set_aside: bool) -> PutBack:
        self._require_place(set_aside)
        checked = check_bag(self._folder, "completeness")
        if not checked.is_valid:
            raise BagInvalid(
                f"{self._folder} is no whole copy: {'; '.join(one.words for one in checked.faults[:3])}.",
                "mendbay bench check-saved names all that is lacking. Use another copy; nothing was put "
                "back.",
            )
        with self._opened() as root:
            found = read_table(root)
            if found is None or root.size_of(SUMS) is None:
                raise BagInvalid(f"{self._folder} is no saved copy of a shop.", "Name the folder of one.")
            sums = _sums(root)
            coming = self._home.with_name(f".{self._home.name}.coming-{secrets.token_hex(4)}")
            with writing(coming):
                self._home.parent.mkdir(parents=True, exist_ok=True)
                make_own(coming)
            try:
                self._require_room(checked.size_bytes, coming)
                for path, expected in sorted(sums.items()):
                    _put(root, coming, path, expected, found[1].get(path), beat)
                self._look(coming / LEDGER)
                aside = self._placed(coming, set_aside)
            except BaseException:
                with suppress(OSError):
                    shutil.rmtree(coming)
                raise
        return PutBack(found[0], Amount(checked.files, checked.size_bytes), self._home, aside)

    def _require_place(self, set_aside: bool) -> None:
        own, home = self._folder.resolve(), self._home.resolve()
        if own == home or home in own.parents or own in home.parents:
            raise DestinationError(
                f"The copy {self._folder} and the home {self._home} lie in each other.",
                "Name another home with --home.",
            )
        if not os.path.lexists(self._home) or _is_empty(self._home):
            return
        if not set_aside:
            raise DestinationError(
                f"{self._home} is there, and stays as it is.",
                "With --set-aside it is renamed, or name a home that is not there with --home.",
            )
        used = use_of(self._home)
        if used:
            raise DestinationError(
                f"The home {self._home} is in use: {used}.",
                "End the server of the bench and let long jobs finish, then run the same command again.",
            )

    def _require_room(self, size_bytes: int, coming: Path) -> None:
        """Images are sparse: what the copy takes up on its disk counts, not their length."""
        with reading(self._folder):
            stored = sum(
                one.stat(follow_symlinks=False).st_blocks * 512 for one in (self._folder / DATA).rglob("*")
            )
        with writing(coming):
            found = os.statvfs(coming)
        free = max(found.f_bavail * found.f_frsize - SPARE_BYTES, 0)
        if min(stored, size_bytes) > free:
            raise NoRoom(
                f"About {bytes_text(min(stored, size_bytes))} are to be put back, and {coming.parent} has "
                f"{bytes_text(free)} free.",
                "Free some room there, or name a home elsewhere with --home.",
            )

    def _placed(self, coming: Path, set_aside: bool) -> Path | None:
        """Gives the folder its name in one step."""
        aside = None
        with writing(self._home):
            self._require_place(set_aside)
            if os.path.lexists(self._home) and not _is_empty(self._home):
                aside = next(
                    one
                    for number in count(1)
                    if not os.path.lexists(one := self._home.with_name(f"{self._home.name}.aside-{number}"))
                )
                os.rename(self._home, aside)
            try:
                os.rename(coming, self._home)
            except OSError:
                if aside is not None:
                    os.rename(aside, self._home)
                raise
            _sync(self._home.parent)
        return aside


def _put(root: SafeFolder, coming: Path, path: str, expected: str, entry: Entry | None, beat: Beat) -> None:
    """
    Raises:
        BagInvalid: it is not what its sum says.
    """
    there = Path(f"{DATA}/{path}")
    with reading(there):
        source = root.open_read(str(there))
    try:
        found = os.fstat(source)
        with writing(coming / path):
            folder = SafeFolder(coming)
            with closing(folder):
                if "/" in path:
                    folder.make_folder(path.rpartition("/")[0])
                target = folder.create(path)
                try:
                    digest = copy_bytes(
                        source, target, found.st_size, there, coming / path, lambda more: beat(path, more)
                    )
                    os.fchmod(target, found.st_mode & 0o600 or 0o600)
                    if entry is not None and entry.changed_ns >= 0:
                        os.utime(target, ns=(entry.changed_ns, entry.changed_ns))
                    os.fsync(target)
                finally:
                    os.close(target)
                folder.sync()
                with folder.folder(path.rpartition("/")[0]) as at:
                    os.fsync(at)
    finally:
        os.close(source)
    if digest != expected:
        raise BagInvalid(
            f"{path} in the copy is not what its sum says: it was changed or damaged since.",
            "mendbay bench check-saved names all that differs. Use another copy; nothing was put back.",
        )


def _sums(root: SafeFolder) -> dict[str, str]:
    with os.fdopen(root.open_read(SUMS), "rb") as file:
        text = file.read(LARGEST_TEXT_BYTES).decode("utf-8")
    listed, faults = bag.parse_manifest(text, "sha256", SUMS)
    if faults:
        raise BagInvalid(f"{SUMS} of the copy has {counted(len(faults), 'fault')}.", "Use another copy.")
    return {path.removeprefix(f"{DATA}/"): found for path, found in listed.items()}


def _is_empty(folder: Path) -> bool:
    with suppress(OSError):
        return folder.is_dir() and not folder.is_symlink() and not os.listdir(folder)
    return False


def _sync(folder: Path) -> None:
    fd = os.open(folder, os.O_RDONLY | os.O_DIRECTORY | os.O_CLOEXEC)
    try:
        os.fsync(fd)
    finally:
        os.close(fd)

"""Whether files may be handed back into a folder that a page of the bench names, and whether one is looked
for that is to prove a hand-back.

Whoever types at the bench itself names folders of a machine that is theirs; a page can be reached by others,
so a folder that it names is held against more.
"""

from __future__ import annotations

from collections.abc import Callable, Iterable
from pathlib import Path

from mendbay.core.errors import DestinationError, UsageError
from mendbay.jobs.bench import Bench
from mendbay.jobs.keep_copies import recorded_hand_backs

JOURNAL = "handback.progress"
"""What a folder that a hand-back was begun in holds."""
OF_THE_SYSTEM = (
    "/bin", "/boot", "/dev", "/etc", "/lib", "/lib32", "/lib64", "/libx32", "/opt", "/proc", "/run", "/sbin",
    "/snap", "/sys", "/usr", "/var",
)  # fmt: skip
"""Folders of the system (Filesystem Hierarchy Standard 3.0); nothing is handed back below them."""
Resolve = Callable[[Path], Path]
OF_MEDIUMS = ("/run/media",)
"""Where desktops mount mediums, although it is below one of them."""


def require_place(named: str, home: Path) -> Path:
    """The folder that was named, if a hand-back may be made or gone on with there. Nothing is made yet.

    Args:
        named: as it was typed.
        home: the folder that the shop keeps its cases in.

    Raises:
        UsageError: it is not named from the root on, goes back up on its way, or lies in a folder of the
            system or of the shop.
        DestinationError: the folder above it is not there, or it holds something else.
    """
    folder = Path(named)
    if not named.startswith("/") or named.startswith("//") or ".." in folder.parts:
        raise UsageError(
            f"The folder {named[:200]!r} is not named from the root on.",
            "Name the folder with its whole path, like /media/stick/hand-back.",
        )
    try:
        real, own = folder.resolve(), home.resolve()
        _require_outside(folder, real, own)
        if not folder.parent.is_dir():
            raise DestinationError(
                f"There is no folder {folder.parent}.",
                "Mount the medium, or make that folder; then name a new one in it.",
            )
        if folder.exists() and not folder.is_dir():
            raise DestinationError(f"{folder} is no folder.", "Name a folder that does not exist yet.")
        if folder.is_dir() and any(folder.iterdir()) and not (folder / JOURNAL).is_file():
            raise DestinationError(
                f"The folder {folder} is not empty and holds no hand-back of Mendbay's.",
                "Name a folder that does not exist yet.",
            )
    except (OSError, RuntimeError) as trouble:  # a circle of links is a RuntimeError
        reason = getattr(trouble, "strerror", None) or trouble
        raise DestinationError(
            f"The folder {named[:200]!r} cannot be used: {reason}.", "Name another folder."
        ) from trouble
    return folder


def require_proof_place(
    bench: Bench, case: int, named: str, mediums: Iterable[str], resolved: Resolve = Path.resolve
) -> Path:
    """The folder that was named to prove a hand-back, if it is to be looked for: one on record, or one on a
    medium that is plugged in. So a page tells nobody what else there is on the machine.

    Args:
        named: as it was chosen or typed.
        mediums: the folders of the mediums that are plugged in.
        resolved: where a folder lies, links followed; it may give up on a medium that hangs (an OSError).

    Raises:
        UsageError: it is neither; nothing of it was looked at.
    """
    folder = Path(named)
    if named in recorded_hand_backs(bench, case) or is_on_medium(folder, mediums, resolved):
        return folder
    raise UsageError(
        f"{named[:200]!r} is neither on record as a hand-back of case {case} nor on a medium that is "
        "plugged in: it was not looked for.",
        "Plug its medium in, and type the folder with its whole path.",
    )


def is_on_medium(folder: Path, mediums: Iterable[str], resolved: Resolve = Path.resolve) -> bool:
    """Whether a folder lies on one of these mediums, by its name and by where its links lead. Of one that
    does not by its name nothing is looked at on the disk."""
    roots = [Path(one) for one in mediums]
    if ".." in folder.parts or not any(_is_in(folder, one) for one in roots):
        return False
    try:
        real = resolved(folder)
        return any(_is_in(real, resolved(one)) for one in roots)
    except (OSError, RuntimeError):  # a circle of links is a RuntimeError
        return False


def _require_outside(folder: Path, real: Path, home: Path) -> None:
    if real == Path("/") or _is_of_system(real) or _is_of_system(folder):
        raise UsageError(
            f"{folder} lies in a folder of the system.", "Name one on a medium that the customer takes home."
        )
    if _is_in(real, home) or _is_in(home, real):
        raise UsageError(
            f"{folder} lies where the shop keeps its cases.",
            "Name one on a medium that the customer takes home.",
        )


def _is_of_system(place: Path) -> bool:
    return any(_is_in(place, Path(one)) for one in OF_THE_SYSTEM) and not any(
        _is_in(place, Path(one)) for one in OF_MEDIUMS
    )


def _is_in(place: Path, folder: Path) -> bool:
    return place == folder or folder in place.parents

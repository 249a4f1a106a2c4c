"""Which files are taken for pictures where files and folders are named, and which are left out and why."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass
from pathlib import Path

from mendbay.core.errors import UsageError

ENDINGS = (".jpg", ".jpeg", ".png", ".webp")
"""Of the pictures that are read."""
NO_PICTURE = "Pictures end in .jpg, .png or .webp; save others in one of these forms."
_BEGINNINGS = {
    ".jpg": (b"\xff\xd8\xff",),
    ".png": (b"\x89PNG\r\n\x1a\n",),
    ".gif": (b"GIF87a", b"GIF89a"),
    ".tif": (b"II*\x00", b"MM\x00*", b"II+\x00", b"MM\x00+"),
    ".pdf": (b"%PDF-",),
}
"""How files begin, by their usual ending (from memory: ITU-T T.81, W3C PNG, GIF89a, TIFF 6.0 and its form for
large files, ISO 32000)."""
_BRANDS = {
    ".heic": (b"heic", b"heix", b"heim", b"heis", b"hevc", b"hevx", b"mif1", b"msf1"),
    ".avif": (b"avif", b"avis"),
}
"""First brands of pictures in boxes (ISO/IEC 23008-12 and the AVIF specification, from memory). Films
begin with boxes too, under other brands."""
_BMP_HEADERS = (12, 40, 52, 56, 64, 108, 124)
"""Sizes of the second header of a BMP file, which says of what kind it is (from memory)."""
PICTURES_LIMIT = 500
NAME_BYTES = 120
"""Length of a name under which a picture is kept: file systems take 255, and a number may be added."""


@dataclass(frozen=True, slots=True)
class PictureFile:
    """A file to be read as a picture; `named` says that it was named itself and not found in a folder."""

    path: Path
    named: bool


@dataclass(frozen=True, slots=True)
class LeftOut:
    """A file that is not read.

    Args:
        name: its name, fit to be shown.
        why: what stands after its name and a colon.
        next_step: what to do if it should be read after all; empty where there is nothing to say.
        missing: whether a picture is missing for it; not so for what is none, or was left out on purpose.
    """

    name: str
    why: str
    next_step: str = ""
    missing: bool = False


def found(
    places: Sequence[Path], endings: tuple[str, ...] = ENDINGS, otherwise: str = NO_PICTURE
) -> tuple[list[PictureFile], list[LeftOut]]:
    """The files named, then pictures in the folders named (not in folders in them) by their names; and what
    is left out of the folders.

    Args:
        endings: of the pictures that are looked for.
        otherwise: the next step where there is none.

    Raises:
        UsageError: a folder cannot be read, or there is no picture, or too many.
    """
    named: list[PictureFile] = []
    files: list[PictureFile] = []
    left_out: list[LeftOut] = []
    for place in places:
        if not _is_folder(place):
            named.append(PictureFile(place, named=True))
            continue
        try:
            inside = sorted(place.iterdir())
        except OSError as trouble:
            raise UsageError(f"{place} cannot be read: {trouble.strerror}.", "Check its rights.") from trouble
        for one in inside:
            out = _left_out(one, endings)
            if out is None:
                files.append(PictureFile(one, named=False))
            else:
                left_out.append(out)
    files = [*named, *files]
    if not files:
        lost = [f" {one.name} {one.why}." for one in left_out if one.missing][:1]
        raise UsageError(
            f"There is no picture in {', '.join(str(one) for one in places)}.{''.join(lost)}",
            otherwise,
        )
    if len(files) > PICTURES_LIMIT:
        raise UsageError(
            f"{len(files)} pictures are too many at once.", f"Read at most {PICTURES_LIMIT} at a time."
        )
    return files, left_out


def _is_folder(place: Path) -> bool:
    try:
        return place.is_dir()
    except OSError:
        return False  # opening it says why


def _left_out(path: Path, endings: tuple[str, ...]) -> LeftOut | None:
    """Why something in a folder is not read; None if it may be a picture."""
    if not path.name.lower().endswith(endings):
        return LeftOut(shown(path), "not a picture")
    try:
        if path.is_symlink():
            return LeftOut(shown(path), "a link", "Name the file it leads to.")
        return None if path.is_file() else LeftOut(shown(path), "not a file")
    except OSError as trouble:
        why = f"cannot be looked at: {trouble.strerror}"
        return LeftOut(shown(path), why, "Check the rights of the file and its folder.", missing=True)


def is_no_picture(name: str, data: bytes) -> bool:
    """Whether a file that was named itself is none of the pictures that are read, by its ending and by how it
    begins."""
    return ending_of(data) not in ENDINGS and not name.lower().endswith(ENDINGS)


def ending_of(data: bytes) -> str:
    """The usual ending of the kind of picture or document that bytes begin as: JPEG, PNG, WebP, GIF, TIFF,
    BMP, HEIF, AVIF or PDF; empty if they begin as none of them."""
    for ending, beginnings in _BEGINNINGS.items():
        if data.startswith(beginnings):
            return ending
    if data[:4] == b"RIFF" and data[8:12] == b"WEBP":
        return ".webp"
    if data[4:8] == b"ftyp":
        return next((ending for ending, brands in _BRANDS.items() if data[8:12] in brands), "")
    is_bmp = data[:2] == b"BM" and int.from_bytes(data[14:18], "little") in _BMP_HEADERS
    return ".bmp" if is_bmp else ""


def is_scan(data: bytes) -> bool:
    """Whether bytes begin as a picture or PDF does."""
    return ending_of(data) != ""


def is_picture(data: bytes) -> bool:
    """Whether bytes begin as a picture does."""
    return ending_of(data) not in ("", ".pdf")


def unread(path: Path, trouble: UsageError) -> LeftOut:
    """A file that could not be fetched."""
    why = trouble.what.removeprefix(f"{path} ").removesuffix(".")
    return LeftOut(shown(path), why, trouble.next_step, missing=True)


def shown(path: Path) -> str:
    """The name of a file, bytes that are no text and signs that are not seen written as escapes."""
    return "".join(
        one
        if one.isprintable()
        else "".join(f"\\x{byte:02x}" for byte in one.encode("utf-8", "surrogateescape"))
        for one in path.name
    )


def kept_name(path: Path) -> str:
    """The name under which a picture is kept: its own without what cannot stand on one line, and short."""
    plain = "".join(one if one.isprintable() and one not in "/\\" else "_" for one in path.name)
    stem, dot, ending = plain.rpartition(".")
    if not dot or len(ending.encode()) > NAME_BYTES // 2:
        stem, dot, ending = plain, "", ""
    room = NAME_BYTES - len((dot + ending).encode())
    stem = stem.encode()[:room].decode("utf-8", "ignore") or "picture"
    return stem + dot + ending

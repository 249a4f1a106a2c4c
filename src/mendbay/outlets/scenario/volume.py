"""Makes the ext4 file system of the demo and its later state, without root, by the system's own programs.

Everything goes in through `debugfs`, in the order given, so that the same items make the same blocks; only
a name with a line break, which a line of commands cannot carry, is put in by `mke2fs` itself. Times,
owners and modes are set afterwards, since the programs take them from the staged copies.
"""

from __future__ import annotations

import os
import re
import shutil
import subprocess
import tempfile
from collections import Counter
from collections.abc import Iterable, Mapping, Sequence
from dataclasses import dataclass
from pathlib import Path
from uuid import UUID

from mendbay.core.errors import DestinationError, ToolMissing
from mendbay.core.span import Span, SpanSet
from mendbay.files.tree import Extent, Kind
from mendbay.outlets.scenario.tree import Item, folders_of

PATIENCE_SECONDS = 300
OWNER_ID = 1026
"""User and group of everything in the demo: an ordinary account of the box."""
SYSTEM_FOLDERS = "/usr/sbin:/sbin"
FEATURES = (
    "sparse_super,large_file,filetype,resize_inode,dir_index,ext_attr,has_journal,extent,huge_file,flex_bg,"
    "metadata_csum,64bit,dir_nlink,extra_isize"
)
CONFIGURATION = f"[defaults]\n[fs_types]\n ext4 = {{\n  features = {FEATURES}\n }}\n small = {{\n }}\n"
"""A private configuration: what this machine's own says must not change the demo."""

MODES = {Kind.FILE: 0o100644, Kind.FOLDER: 0o040755, Kind.LINK: 0o120777}


@dataclass(frozen=True, slots=True)
class Shape:
    """What the file system is to be: all sizes in bytes, `made_at` in seconds since 1970."""

    size_bytes: int
    block_bytes: int
    inode_ratio_bytes: int
    label: str
    uuid: UUID
    hash_seed: UUID
    made_at: int


@dataclass(frozen=True, slots=True)
class Placed:
    """Where one file, folder or link lies on the volume, in bytes of the volume.

    `extents` are in order; `mapping` holds the blocks that list extents outside the inode.
    """

    inode: int
    inode_at: Span
    size_bytes: int
    extents: tuple[Extent, ...]
    mapping: SpanSet
    block_bytes: int

    @property
    def blocks(self) -> SpanSet:
        """Where its stored bytes lie, to the end of the last block."""
        stored = SpanSet(one.volume_span for one in self.extents if one.volume_span is not None)
        return stored.widen(self.block_bytes)


def make_volume(image: Path, items: Sequence[Item], shape: Shape, written_at: int) -> None:
    """Makes a file system that holds the items (folders they need are made with them).

    Args:
        image: the file to make; it must not exist.
        written_at: when the file system was last written, in seconds since 1970.

    Raises:
        ToolMissing: `mke2fs` or `debugfs` is not installed.
        DestinationError: the items do not fit, or a program failed for another reason.
        ValueError: two names hold a line break, or a folder's name does.
    """
    broken = [item for item in items if b"\n" in item.path]
    if len(broken) > 1 or any(b"\n" in item.parent for item in broken):
        raise ValueError("only one name with a line break can be made, and it must be a file's")
    with tempfile.TemporaryDirectory(prefix="mendbay-") as work:
        _format(image, shape, Path(work), broken)
    _write(image, items, made=set(folders_of(item.path for item in broken)), at=written_at)


def change_volume(
    image: Path, there: Iterable[bytes], gone: Iterable[bytes], items: Sequence[Item], at: int
) -> None:
    """Brings a file system to a later state: removes names, then adds items, then sets times.

    An item whose path is also in `gone` is a file that was saved anew: a new inode, as programs that
    save by renaming leave it. Folders that lose or gain a name change with it.

    Args:
        there: the paths it was made with.
        at: when the file system was last written, in seconds since 1970.

    Raises:
        ToolMissing, DestinationError: as `make_volume`.
    """
    removed = list(gone)
    _debugfs(image, [b"rm " + _quoted(path) for path in removed], at, write=True)
    _write(
        image,
        items,
        made=set(folders_of(there)),
        at=at,
        touched={path.rpartition(b"/")[0] for path in removed},
    )


def places(image: Path, kinds: Mapping[bytes, Kind], sizes: Mapping[bytes, int]) -> dict[bytes, Placed]:
    """Where each of the paths lies.

    Args:
        kinds: the paths to look up and what they are. The root is the empty path.
        sizes: the size in bytes of each file among them.

    Raises:
        ToolMissing, DestinationError: as `make_volume`; also if a path is not there.
    """
    numbers = _inodes(image, list(kinds))
    block_bytes = _block_bytes(image)
    mapped = [path for path in kinds if kinds[path] is not Kind.LINK]
    wanted = [b"ex <%d>" % numbers[path][0] for path in mapped]
    tables = _answers(_debugfs(image, wanted, 0))
    found: dict[bytes, Placed] = {}
    for path, (inode, at) in numbers.items():
        found[path] = Placed(inode, at, sizes.get(path, 0), (), SpanSet(), block_bytes)
    for path, table in zip(mapped, tables, strict=True):
        inode, at = numbers[path]
        size = sizes.get(path, 0) if kinds[path] is Kind.FILE else None
        extents, mapping = _extents(table, block_bytes, size)
        found[path] = Placed(inode, at, size or 0, extents, mapping, block_bytes)
    return found


def system_blocks(image: Path) -> SpanSet:
    """The first superblock and the group descriptors behind it, in bytes of the volume.

    The fields used are from the kernel's ext4/super.rst: blocks at byte 4, the first data block at 20,
    blocks in a group at 32, and the size of a descriptor at 254 (64 with the feature 64bit).
    """
    block_bytes = _block_bytes(image)
    with image.open("rb") as file:
        file.seek(1024)
        head = file.read(1024)
    blocks, first, per_group = (int.from_bytes(head[at : at + 4], "little") for at in (4, 20, 32))
    descriptor_bytes = int.from_bytes(head[254:256], "little")
    groups = -(-(blocks - first) // per_group)
    descriptor_blocks = -(-groups * descriptor_bytes // block_bytes)
    return SpanSet([Span(1024, 2048), Span.at((first + 1) * block_bytes, descriptor_blocks * block_bytes)])


def find_tool(name: str) -> str:
    """The full path of one of the programs that make file systems.

    Raises:
        ToolMissing: it is not installed.
    """
    found = shutil.which(name) or shutil.which(name, path=SYSTEM_FOLDERS)
    if found is None:
        raise ToolMissing(
            f"The program '{name}' is not installed; it makes the demo's file system.",
            "Install the Debian package e2fsprogs, then run the same command again.",
        )
    return found


def _format(image: Path, shape: Shape, work: Path, broken: Sequence[Item]) -> None:
    configuration = work / "mke2fs.conf"
    configuration.write_text(CONFIGURATION)
    command = [find_tool("mke2fs"), "-q", "-F", "-t", "ext4", "-T", "ext4", "-b", str(shape.block_bytes)]
    command += ["-I", "256", "-i", str(shape.inode_ratio_bytes), "-m", "1", "-L", shape.label]
    command += ["-U", str(shape.uuid), "-E"]
    command += [
        f"hash_seed={shape.hash_seed},root_owner=0:0,lazy_itable_init=0,lazy_journal_init=0,nodiscard"
    ]
    for item in broken:
        inside = Path(os.fsdecode(os.fsencode(work) + b"/tree/" + item.path))
        inside.parent.mkdir(parents=True)
        shutil.copyfile(_staged(item), inside)
        command += ["-d", str(work / "tree")]
    command += [str(image), f"{shape.size_bytes // 1024}k"]
    _run(command, shape.made_at, {"MKE2FS_CONFIG": str(configuration)})


def _write(
    image: Path, items: Sequence[Item], *, made: set[bytes], at: int, touched: Iterable[bytes] = ()
) -> None:
    """Adds the items and every folder they lack, then sets times, owners and modes of all of them."""
    commands: list[bytes] = []
    changed = dict.fromkeys(touched, 0)
    inside = [item for item in items if b"\n" not in item.path]
    folders = [item.path + b"/." for item in items if item.kind is Kind.FOLDER]
    for folder in folders_of([*folders, *(item.path for item in inside)]):
        if folder not in made:
            commands.append(b"mkdir " + _quoted(folder))
    for item in inside:
        commands += _commands_for(item)
    for path, names in Counter(item.same_as for item in items if item.same_as).items():
        # Making a second name does not count it in the inode.
        commands.append(b"set_inode_field " + _quoted(path) + b" links_count %d" % (names + 1))
    for item in items:
        for folder in (*folders_of([item.path]), b""):
            if folder not in made or folder == item.parent:
                changed[folder] = max(changed.get(folder, 0), item.modified_at)
    commands += _settings(items, changed, at)
    for item in items:
        if b"\n" in item.path:
            number = _number_by_listing(image, item.path)
            commands += _fields(b"<%d>" % number, item.kind, item.modified_at)
    _debugfs(image, commands, at, write=True)


def _commands_for(item: Item) -> list[bytes]:
    if item.same_as:
        return [b"ln " + _quoted(item.same_as) + b" " + _quoted(item.path)]
    if item.kind is Kind.LINK:
        return [b"symlink " + _quoted(item.path) + b" " + _quoted_text(item.target)]
    if item.kind is Kind.FOLDER:
        return []
    source = _quoted_text(os.fsencode(_staged(item)))
    return [b"cd " + _quoted(item.parent), b"write " + source + b" " + _quoted_text(item.name)]


def _settings(items: Sequence[Item], folders: Mapping[bytes, int], at: int) -> list[bytes]:
    """Commands that set what the programs took from the staged copies; folders last, being touched last."""
    commands: list[bytes] = []
    for item in items:
        if b"\n" not in item.path and not item.same_as and item.kind is not Kind.FOLDER:
            commands += _fields(_quoted(item.path), item.kind, item.modified_at)
    when = dict(folders)
    when.update({item.path: item.modified_at for item in items if item.kind is Kind.FOLDER})
    for folder, modified_at in when.items():
        commands += _fields(_quoted(folder), Kind.FOLDER, modified_at or at)
    return commands


def _fields(which: bytes, kind: Kind, modified_at: int) -> list[bytes]:
    start = b"set_inode_field " + which
    values = {"mode": f"0{MODES[kind]:o}", "uid": str(OWNER_ID), "gid": str(OWNER_ID)}
    values |= dict.fromkeys(("atime", "mtime", "ctime", "crtime"), f"@{modified_at}")
    return [start + f" {name} {value}".encode() for name, value in values.items()]


def _inodes(image: Path, paths: Sequence[bytes]) -> dict[bytes, tuple[int, Span]]:
    """The inode's number and place of each path."""
    asked = [
        b"imap <%d>" % _number_by_listing(image, path) if b"\n" in path else b"imap " + _quoted(path)
        for path in paths
    ]
    inode_bytes = 256
    block_bytes = _block_bytes(image)
    found: dict[bytes, tuple[int, Span]] = {}
    for path, answer in zip(paths, _answers(_debugfs(image, asked, 0)), strict=True):
        match = re.search(rb"Inode (\d+) is part.*?block (\d+), offset 0x([0-9a-f]+)", answer, re.DOTALL)
        if match is None:
            raise DestinationError(f"The demo's file system has no {path!r}.", "Report this: it is a defect.")
        start = int(match[2]) * block_bytes + int(match[3], 16)
        found[path] = int(match[1]), Span.at(start, inode_bytes)
    return found


def _block_bytes(image: Path) -> int:
    """The block size from the superblock: 2^(10+n), n at byte 24 (kernel, ext4/super.rst)."""
    with image.open("rb") as file:
        file.seek(1024 + 24)
        return 1024 << int.from_bytes(file.read(4), "little")


def _extents(table: bytes, block_bytes: int, size: int | None) -> tuple[tuple[Extent, ...], SpanSet]:
    """What `debugfs` lists for one inode: its runs clipped to the size, and the blocks that map them."""
    runs: list[Extent] = []
    mapping: list[Span] = []
    row = re.compile(rb"^\s*(\d+)/\s*(\d+)\s+\d+/\s*\d+\s+(\d+) -\s+(\d+)\s+(\d+)(?: -\s+\d+)?", re.MULTILINE)
    for level, depth, first, last, where in (
        tuple(map(int, match.groups())) for match in row.finditer(table)
    ):
        if level < depth:
            mapping.append(Span.at(where * block_bytes, block_bytes))
            continue
        stop = (last + 1) * block_bytes
        runs.append(
            Extent(Span(first * block_bytes, stop if size is None else min(stop, size)), where * block_bytes)
        )
    return tuple(runs), SpanSet(mapping)


def _number_by_listing(image: Path, path: bytes) -> int:
    """The inode of a name that cannot be put into a command."""
    folder, _, name = path.rpartition(b"/")
    (answer,) = _answers(_debugfs(image, [b"ls -p " + _quoted(folder)], 0))
    match = re.search(rb"^/(\d+)/\d+/\d+/\d+/" + re.escape(name) + rb"/\d*/$", answer, re.MULTILINE)
    if match is None:
        raise DestinationError(f"The demo's file system has no {path!r}.", "Report this: it is a defect.")
    return int(match[1])


def _staged(item: Item) -> Path:
    if item.staged is None:
        raise ValueError(f"{item.path!r} is a file but has no staged bytes")
    return item.staged


def _quoted(path: bytes) -> bytes:
    return _quoted_text(b"/" + path)


def _quoted_text(text: bytes) -> bytes:
    """One argument of a command: in quotes, a quote inside doubled."""
    if b"\n" in text:
        raise ValueError(f"a command cannot carry the line break in {text!r}")
    return b'"' + text.replace(b'"', b'""') + b'"'


def _answers(output: bytes) -> list[bytes]:
    """What was printed for each command: the program repeats every command after its prompt."""
    return [part.partition(b"\n")[2] for part in re.split(rb"^debugfs: ", output, flags=re.MULTILINE)[1:]]


def _debugfs(image: Path, commands: Sequence[bytes], at: int, *, write: bool = False) -> bytes:
    """Runs the commands in one go and returns what was printed.

    Raises:
        ToolMissing: it is not installed.
        DestinationError: it reported anything as wrong.
    """
    with tempfile.NamedTemporaryFile(prefix="mendbay-", suffix=".commands") as script:
        script.write(b"\n".join(commands) + b"\n")
        script.flush()
        mode = ["-w"] if write else []
        return _run([find_tool("debugfs"), *mode, "-f", script.name, str(image)], at, {})


def _run(command: Sequence[str], at: int, more: Mapping[str, str]) -> bytes:
    """Runs one program with its clock set to `at` and no words of this machine's language."""
    clock = {"E2FSPROGS_FAKE_TIME": str(at)} if at else {}
    environment = {**os.environ, "LC_ALL": "C", "TZ": "UTC", **clock, **more}
    done = subprocess.run(  # noqa: S603 - a list, from our own program finder
        list(command), capture_output=True, check=False, timeout=PATIENCE_SECONDS, env=environment
    )
    said = [line for line in done.stderr.decode(errors="replace").splitlines() if _is_trouble(line)]
    if done.returncode != 0 or said:
        trouble = said[0] if said else f"exit status {done.returncode}"
        raise DestinationError(
            f"Making the demo's file system failed: {Path(command[0]).name}: {trouble}",
            "Check the free space in the folder; if there is room, report this with the whole message.",
        )
    return done.stdout


def _is_trouble(line: str) -> bool:
    """Whether a line of error output is more than the program's own banner."""
    return bool(line.strip()) and re.match(r"(debugfs|mke2fs) \d", line) is None

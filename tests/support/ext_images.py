"""Small ext images made with mke2fs, and the tree they are filled with.

`mke2fs -d` fills an image from a folder without mounting anything, so this runs without root.
"""

from __future__ import annotations

import os
import random
import shutil
import subprocess
from functools import cache, lru_cache
from pathlib import Path

import pytest

from support.scratch import scratch

LONG_NAME = b"n" * 255
STRANGE_NAMES = (
    b"not-utf8-\xff\xfe",
    b"new\nline\ttab",
    "glaze-größe-日本".encode(),
    b"back\\slash '\" %41 *",
)
FOLDER_OF_MANY = b"many"
MANY = 1500
DEPTH = 40
SIZES = (0, 1, 59, 60, 61, 100, 150, 160, 1023, 1024, 1025, 4096, 12288, 12289)
LINK_LENGTHS = (1, 59, 60, 100, 250)

RECIPES: dict[str, tuple[str, ...]] = {
    "ext4": ("-t", "ext4", "-b", "4096"),
    "ext4-1k": ("-t", "ext4", "-b", "1024"),
    "ext4-no-checksums": ("-t", "ext4", "-b", "2048", "-O", "^metadata_csum"),
    "ext4-inline": ("-t", "ext4", "-b", "4096", "-O", "inline_data"),
    "ext4-clusters": ("-t", "ext4", "-b", "1024", "-O", "bigalloc", "-C", "16384"),
    "ext4-clusters-no-checksums": (
        "-t", "ext4", "-b", "1024", "-O", "bigalloc,^metadata_csum", "-C", "8192",
    ),
    "ext4-meta-groups": (
        "-t", "ext4", "-b", "1024", "-O", "^metadata_csum,uninit_bg,meta_bg,^resize_inode",
    ),
    "ext4-meta-groups-checksums": ("-t", "ext4", "-b", "1024", "-O", "meta_bg,^resize_inode"),
    "ext4-two-copies": ("-t", "ext4", "-b", "1024", "-O", "sparse_super2,^resize_inode"),
    "ext4-stored-seed": ("-t", "ext4", "-b", "4096", "-O", "metadata_csum_seed"),
    "ext4-32bit": ("-t", "ext4", "-b", "4096", "-O", "^64bit,^flex_bg"),
    "ext3": ("-t", "ext3", "-b", "1024"),
    "ext3-4k": ("-t", "ext3", "-b", "4096", "-I", "256"),
    "ext2": ("-t", "ext2", "-b", "1024", "-I", "128"),
    "ext2-2k": ("-t", "ext2", "-b", "2048", "-O", "^sparse_super,^resize_inode"),
    "ext4-indexed": ("-t", "ext4", "-b", "1024"),
    "ext2-indexed": ("-t", "ext2", "-b", "4096"),
}  # fmt: skip
"""Every layout the reader claims to read, by a name for test ids."""


def tool(name: str) -> str:
    """The path of a system tool; skips the test, saying what is missing, if there is none."""
    found = shutil.which(name, path=os.environ.get("PATH", "") + ":/usr/sbin:/sbin")
    if found is None:
        pytest.skip(f"{name} is not installed (Debian package: e2fsprogs or mount): this check was not made")
    return found


def needs_root() -> None:
    """Skips the test, saying so, without the right to mount."""
    if os.geteuid() != 0:
        pytest.skip("not root: nothing can be mounted, so the kernel was not asked")


@cache
def workshop() -> Path:
    """A folder for images that is removed when the tests end."""
    return scratch("ext")


def _put(path: bytes, data: bytes) -> None:
    os.makedirs(os.path.dirname(path), exist_ok=True)
    with open(path, "wb") as file:
        file.write(data)


@cache
def tree() -> Path:
    """A tree with one of everything a reader can get wrong, the same on every run."""
    noise = random.Random(20231114)
    base = workshop() / "tree"
    root = os.fsencode(base)
    for number in range(MANY):
        _put(root + b"/" + FOLDER_OF_MANY + b"/kiln-log-page-%04d.txt" % number, b"firing %d\n" % number)
    for size in SIZES:
        _put(root + b"/sizes/%d" % size, noise.randbytes(size))
    # Where indirect blocks begin and end, for 1 KiB blocks: 12 direct, 268 with one level, then two.
    for blocks in (12, 13, 268, 269, 524, 525, 2061):
        _put(root + b"/edges/%d" % blocks, noise.randbytes(blocks * 1024))
    for number in range(4):
        _sparse(root + b"/sparse/%d" % number, noise)
    for name in (LONG_NAME, *STRANGE_NAMES):
        _put(root + b"/names/" + name, name)
    deep = root + b"".join(b"/d%d" % number for number in range(DEPTH))
    _put(deep + b"/bottom.txt", b"at the bottom")
    os.link(root + b"/sizes/4096", root + b"/another-name-for-4096")
    for length in LINK_LENGTHS:
        os.symlink(b"t" * length, root + b"/link-%d" % length)
    os.mkfifo(root + b"/pipe")
    os.makedirs(root + b"/empty-folder")
    return base


def _sparse(path: bytes, noise: random.Random) -> None:
    os.makedirs(os.path.dirname(path), exist_ok=True)
    with open(path, "wb") as file:
        for _ in range(8):
            file.seek(noise.randrange(40 << 20))
            file.write(noise.randbytes(noise.randrange(1, 9000)))
        file.truncate(noise.randrange(41 << 20, 48 << 20))


def make(
    path: Path, size_mib: int, recipe: tuple[str, ...], content: Path | None = None, extended: str = ""
) -> Path:
    """An image of `size_mib` MiB made by mke2fs with these options and further extended ones (those of
    `-E`, of which mke2fs obeys only the last), filled from a folder."""
    program = tool("mke2fs")
    path.unlink(missing_ok=True)
    with path.open("wb") as file:
        file.truncate(size_mib << 20)
    filled = () if content is None else ("-d", str(content))
    settings = {**os.environ, "MKE2FS_CONFIG": str(_settings()), "E2FSPROGS_FAKE_TIME": "1700000000"}
    lazy_off = "lazy_itable_init=0,lazy_journal_init=0"
    subprocess.run(
        [program, "-q", "-F", *recipe, "-E", lazy_off + extended, *filled, str(path)],
        check=True,
        env=settings,
        capture_output=True,
    )
    return path


@cache
def _settings() -> Path:
    """What mke2fs takes for granted, so that no setting of this machine changes an image."""
    path = workshop() / "mke2fs.conf"
    path.write_text(
        "[defaults]\nbase_features = sparse_super,large_file,filetype,resize_inode,dir_index,ext_attr\n"
        "inode_size = 256\ninode_ratio = 8192\n[fs_types]\next3 = {\nfeatures = has_journal\n}\n"
        "ext4 = {\nfeatures = has_journal,extent,huge_file,flex_bg,metadata_csum,64bit,dir_nlink,"
        "extra_isize\n}\n"
        "small = {\n}\nfloppy = {\n}\n"
    )
    return path


@cache
def image(recipe: str) -> Path:
    """A 64 MiB image of the tree by the name of its recipe. Not to be written to."""
    made = make(workshop() / f"{recipe}.img", 64, RECIPES[recipe], tree())
    if recipe.endswith("-indexed"):
        # mke2fs makes flat folders; this gives the large ones their index. 1 = something was changed.
        done = subprocess.run([tool("e2fsck"), "-fyD", str(made)], capture_output=True)
        assert done.returncode in (0, 1), done.stdout
    return made


@lru_cache(maxsize=2)
def image_bytes(recipe: str) -> bytes:
    """The same image in memory; all of them together would take more than a gibibyte."""
    return image(recipe).read_bytes()


@cache
def small_tree() -> Path:
    """A few folders and files: enough of each structure for many damaged copies."""
    noise = random.Random(7)
    base = workshop() / "small-tree"
    root = os.fsencode(base)
    for folder in range(6):
        for number in range(25):
            _put(root + b"/shelf-%d/pot-%02d.txt" % (folder, number), noise.randbytes(noise.randrange(3000)))
    for number in range(120):
        _put(root + b"/a-folder-of-several-blocks/glaze-recipe-number-%04d.txt" % number, b"glaze")
    _put(root + b"/large.bin", noise.randbytes(700 * 1024))
    with open(root + b"/pieces.bin", "wb") as file:
        for number in range(40):
            file.seek(number * 64 * 1024)
            file.write(noise.randbytes(5000))
    os.symlink(b"t" * 100, root + b"/slow-link")
    os.symlink(b"shelf-1", root + b"/fast-link")
    return base


SMALL_RECIPES: dict[str, tuple[str, ...]] = {
    "ext4": ("-t", "ext4", "-b", "1024", "-J", "size=1"),
    "ext4-no-checksums": ("-t", "ext4", "-b", "1024", "-O", "^metadata_csum,^has_journal"),
    "ext4-inline": ("-t", "ext4", "-b", "1024", "-O", "inline_data,^has_journal"),
    "ext2": ("-t", "ext2", "-b", "1024", "-I", "128"),
}


@cache
def small_image(recipe: str) -> bytes:
    """An 18 MiB image of the small tree, in memory."""
    return make(workshop() / f"small-{recipe}.img", 18, SMALL_RECIPES[recipe], small_tree()).read_bytes()

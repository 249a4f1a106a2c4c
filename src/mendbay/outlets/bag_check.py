"""A bag on disk, checked at three depths, cheapest first: totals, completeness, digests (RFC 8493 section 3).

The folder may come from anyone: links in it are never followed, paths that lead out are refused, and the
texts read are bounded.
"""

from __future__ import annotations

import os
import re
from collections.abc import Callable, Sequence
from concurrent.futures import ThreadPoolExecutor
from pathlib import Path

from mendbay.core.errors import DestinationError
from mendbay.handback import bag
from mendbay.handback.bag import BagCheck, BagFault
from mendbay.outlets.digests import Digests, hashing_pool
from mendbay.outlets.safe_folder import SafeFolder

DEPTHS = ("totals", "completeness", "digests")
LARGEST_TEXT_BYTES = 256 << 20
"""The largest tag file that is read: a manifest of more than a million files stays below it."""

READ_BYTES = 4 << 20

_DECLARATION = re.compile(
    r"BagIt-Version: (\d+\.\d+)(?:\r\n|\n|\r)Tag-File-Character-Encoding: ([^\s]+)(?:\r\n|\n|\r)?"
)
_MANIFEST = re.compile(r"(tag)?manifest-([a-z0-9]+)\.txt")
_OXUM = re.compile(r"(\d{1,20})\.(\d{1,20})")


def check_bag(
    folder: Path,
    depth: str = "digests",
    seen: Callable[[str, int], None] | None = None,
    far: Callable[[int, int, str], None] | None = None,
) -> BagCheck:
    """What is wrong with the bag in `folder`, if anything.

    Args:
        depth: `totals` (declaration and Payload-Oxum), `completeness` (and every listed file is there, every
            payload file listed in every manifest) or `digests` (and every digest is right).
        seen: told the path and size of each file after it was hashed.
        far: told how many bytes are hashed, of how many, and of which file the last ones were; what it raises
            goes through.

    Raises:
        DestinationError: the folder cannot be opened.
        ValueError: no such depth.
    """
    level = DEPTHS.index(depth)
    try:
        root = SafeFolder(folder)
    except OSError as error:
        raise DestinationError(
            f"The folder {folder} cannot be opened: {error.strerror}.", "Name the folder of a hand-back."
        ) from error
    try:
        check = _Check(root, seen, far)
        check.totals()
        if level >= 1:
            check.completeness()
        if level >= 2:
            check.digests()
    finally:
        root.close()
    return BagCheck(depth, len(check.payload), sum(check.payload.values()), tuple(check.faults))


class _Check:
    """One check under way: what lies in the bag, what its manifests say, and the faults found so far."""

    def __init__(
        self,
        root: SafeFolder,
        seen: Callable[[str, int], None] | None,
        far: Callable[[int, int, str], None] | None,
    ) -> None:
        self._root = root
        self._seen = seen
        self._far = far
        self._hashed_bytes = self._all_bytes = 0
        self.faults: list[BagFault] = []
        self.payload: dict[str, int] = {}
        self._manifests: dict[str, dict[str, str]] = {}
        self._tag_manifests: dict[str, dict[str, str]] = {}

    def _fault(
        self, kind: str, path: str = "", algorithm: str = "", expected: str = "", found: str = ""
    ) -> None:
        self.faults.append(BagFault(kind, path, algorithm, expected, found))

    def totals(self) -> None:
        """The declaration, what lies in `data/`, and whether its totals are those of `bag-info.txt`."""
        self._declaration()
        if "data" not in self._root.names():
            self._fault("there is no folder data")
        try:
            for found in self._root.walk("data"):
                if found.is_file:
                    self.payload[found.path] = found.size_bytes
                else:
                    self._fault("not a regular file", found.path)
        except NotADirectoryError:  # a link or a file
            self._fault("there is no folder data")
        if "bag-info.txt" not in self._root.names():
            return
        text = self._text("bag-info.txt")
        stated = [value for label, value in bag.parse_bag_info(text or "") if label.lower() == "payload-oxum"]
        if len(stated) > 1:
            self._fault("Payload-Oxum is given more than once", "bag-info.txt")
        here = f"{sum(self.payload.values())}.{len(self.payload)}"
        for one in stated[:1]:
            if not _OXUM.fullmatch(one):
                self._fault("Payload-Oxum is not a number of bytes and of files", "bag-info.txt")
            elif one != here:
                self._fault(bag.OTHER_TOTALS, "bag-info.txt", "", one, here)

    def _declaration(self) -> None:
        text = self._text(bag.DECLARATION_NAME)
        if text is None:
            return
        match = _DECLARATION.fullmatch(text)
        if match is None:
            self._fault("not the two lines that declare a bag", bag.DECLARATION_NAME)
        elif match.group(1) != "1.0":
            self._fault("another version of BagIt", bag.DECLARATION_NAME, "", "1.0", match.group(1))
        elif match.group(2).upper() != "UTF-8":
            self._fault("another encoding", bag.DECLARATION_NAME, "", "UTF-8", match.group(2))

    def completeness(self) -> None:
        """Every listed file is there, every payload file is in every payload manifest."""
        for name in self._root.names():
            match = _MANIFEST.fullmatch(name)
            if match is None:
                continue
            if match.group(2) not in bag.HEX_LENGTHS:
                self._fault("a manifest by an algorithm that is not known here", name)
                continue
            found, faults = bag.parse_manifest(self._text(name) or "", match.group(2), name)
            self.faults += faults
            (self._tag_manifests if match.group(1) else self._manifests)[match.group(2)] = found
        if not self._manifests:
            self._fault("there is no manifest of the payload")
        for algorithm, listed in self._manifests.items():
            for path in sorted(set(listed) - set(self.payload)):
                self._fault("listed but not there", path, algorithm)
            for path in sorted(set(self.payload) - set(listed)):
                self._fault("there but not listed", path, algorithm)
        for algorithm, listed in self._tag_manifests.items():
            for path in sorted(listed):
                if self._size_of(path) is None:
                    self._fault("listed but not there", path, algorithm)

    def _size_of(self, path: str) -> int | None:
        try:
            return self._root.size_of(path)
        except OSError:
            return None

    def digests(self) -> None:
        """Every listed file that is there has the digests listed."""
        listed_once = {path for one in self._manifests.values() for path in one}
        self._all_bytes = sum(self.payload.get(path, 0) for path in listed_once)
        with hashing_pool() as pool:
            for manifests in (self._manifests, self._tag_manifests):
                for path in sorted({path for listed in manifests.values() for path in listed}):
                    size = self.payload.get(path) if manifests is self._manifests else self._size_of(path)
                    if size is not None:
                        expected = {
                            name: listed[path] for name, listed in manifests.items() if path in listed
                        }
                        self._compare(path, expected, pool)
                        if self._seen is not None:
                            self._seen(path, size)

    def _compare(self, path: str, expected: dict[str, str], pool: ThreadPoolExecutor) -> None:
        try:
            found = _hashed(self._root, path, list(expected), pool, self._tell)
        except OSError as error:
            self._fault(f"cannot be read: {error.strerror or error}", path)
            return
        for (algorithm, stated), digest in zip(expected.items(), found, strict=True):
            if digest != stated:
                self._fault("the digest differs", path, algorithm, stated, digest)

    def _tell(self, path: str, size_bytes: int) -> None:
        self._hashed_bytes += size_bytes
        if self._far is not None:
            self._far(self._hashed_bytes, max(self._all_bytes, self._hashed_bytes), path)

    def _text(self, name: str) -> str | None:
        """The text of a tag file; None, with a fault, if there is none to be had."""
        try:
            fd = self._root.open_read(name)
        except OSError:
            self._fault("missing, or not a regular file", name)
            return None
        with open(fd, "rb") as file:
            content = file.read(LARGEST_TEXT_BYTES + 1)
        if len(content) > LARGEST_TEXT_BYTES:
            self._fault("too large to be read", name)
            return None
        try:
            return content.decode("utf-8")
        except UnicodeDecodeError:
            self._fault("not UTF-8", name)
            return None


def _hashed(
    root: SafeFolder,
    path: str,
    algorithms: Sequence[str],
    pool: ThreadPoolExecutor,
    tell: Callable[[str, int], None],
) -> tuple[str, ...]:
    fd = root.open_read(path)
    try:
        os.posix_fadvise(fd, 0, 0, os.POSIX_FADV_DONTNEED)  # or the page cache would answer for the medium
        digests = Digests(algorithms, pool)
        while data := os.read(fd, READ_BYTES):
            digests.feed(data)
            tell(path, len(data))
    finally:
        os.close(fd)
    return digests.hexdigests()

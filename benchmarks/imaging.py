"""Imaging a healthy source with SHA-256, against copying it with dd and hashing the copy.

Both do the same job on the same source, in turn, in one run; what counts is the ratio. Three ways are
timed: Mendbay (image, checkpoint and SHA-256 of the whole, all durable at the end); `dd bs=4M
iflag=direct` followed by `sha256sum` of the copy; and the same with `conv=fdatasync`, which like Mendbay
leaves the copy durable. The digests of blocks that Mendbay notes on the way are timed alone beside SHA-256,
so that their share shows. `sha256sum` may use a slower implementation than Python's, so the hash alone is
timed with both.

usage: ./run bench imaging [GIB] [ROUNDS]
"""

from __future__ import annotations

import hashlib
import os
import shutil
import statistics
import subprocess
import sys
import tempfile
import time
from pathlib import Path

import numpy as np

from mendbay.core.clock import SystemClock
from mendbay.core.span import Span
from mendbay.imaging.block_digests import add_digests
from mendbay.inlets.reader import ReaderProcess
from mendbay.jobs.drive_reading import DriveReading
from mendbay.jobs.events import silent
from mendbay.outlets.image_file import ImageFile


def make_source(path: Path, size: int) -> None:
    """Random bytes: nothing can be left sparse."""
    generator = np.random.default_rng(7)
    with path.open("wb") as file:
        for _ in range(size // (16 << 20)):
            file.write(generator.bytes(16 << 20))
        os.fsync(file.fileno())


def forget(path: Path) -> None:
    fd = os.open(path, os.O_RDONLY)
    os.fsync(fd)
    os.posix_fadvise(fd, 0, 0, os.POSIX_FADV_DONTNEED)
    os.close(fd)


def with_mendbay(source: Path, folder: Path) -> str:
    reader = ReaderProcess(source)
    image = ImageFile.create(folder / "bay-1.img", reader.identity)
    image.begin_run("benchmark", str(source))
    DriveReading("1", reader, image, SystemClock(), silent).run()
    digest = image.digest()
    image.close()
    reader.close()
    return digest


def with_dd(source: Path, folder: Path, durable: bool) -> str:
    copy = folder / "copy.img"
    words = ["dd", f"if={source}", f"of={copy}", "bs=4M", "iflag=direct"]
    subprocess.run([*words, *(["conv=fdatasync"] if durable else [])], check=True, capture_output=True)
    return subprocess.run(["sha256sum", copy], check=True, capture_output=True, text=True).stdout.split()[0]


def timed(way: str, source: Path, room: Path) -> tuple[float, str]:
    folder = Path(tempfile.mkdtemp(dir=room))
    forget(source)
    started = time.monotonic()
    digest = with_mendbay(source, folder) if way == "mendbay" else with_dd(source, folder, "durable" in way)
    seconds = time.monotonic() - started
    shutil.rmtree(folder)
    os.sync()
    return seconds, digest


def hash_rates(source: Path) -> tuple[float, float]:
    """MB/s of sha256 in Python and of sha256sum on the same bytes."""
    size = source.stat().st_size
    started = time.monotonic()
    with source.open("rb") as file:
        hashlib.file_digest(file, "sha256")
    ours = time.monotonic() - started
    started = time.monotonic()
    subprocess.run(["sha256sum", source], check=True, capture_output=True)
    return size / ours / 1e6, size / (time.monotonic() - started) / 1e6


def digest_rate(source: Path) -> float:
    """MB/s of the digests of blocks, in reads as long as the planner's longest."""
    digests, seconds, at = bytearray(), 0.0, 0
    with source.open("rb") as file:
        while data := file.read(2 << 20):
            started = time.monotonic()
            add_digests(digests, Span(at, at + len(data)), memoryview(data))
            seconds += time.monotonic() - started
            at += len(data)
    return at / seconds / 1e6


def main() -> None:
    gib = int(sys.argv[1]) if len(sys.argv) > 1 else 2
    rounds = int(sys.argv[2]) if len(sys.argv) > 2 else 3
    room = Path(tempfile.mkdtemp(prefix="mendbay-bench-"))
    try:
        source = room / "source.img"
        make_source(source, gib << 30)
        ways = ("mendbay", "dd then sha256sum", "durable dd then sha256sum")
        seconds: dict[str, list[float]] = {way: [] for way in ways}
        for _ in range(rounds):
            digests = set()
            for way in ways:
                took, digest = timed(way, source, room)
                seconds[way].append(took)
                digests.add(digest)
            assert len(digests) == 1, "the ways disagree about the bytes"
        print(f"healthy source of {gib} GiB, {rounds} rounds, in turn")
        print("  seconds (min, median, max), MB/s at the median")
        for way in ways:
            one = seconds[way]
            middle = statistics.median(one)
            print(f"  {way:27}{min(one):7.2f}{middle:7.2f}{max(one):7.2f}{(gib << 30) / middle / 1e6:9.0f}")
        for way in ways[1:]:
            ratios = [other / ours for ours, other in zip(seconds["mendbay"], seconds[way], strict=True)]
            print(f"  {way} takes {statistics.median(ratios):.2f} times as long as Mendbay (round by round)")
        python, program = hash_rates(source)
        print(f"  SHA-256 alone: {python:.0f} MB/s in Python, {program:.0f} MB/s in sha256sum")
        print(f"  digests of blocks alone: {digest_rate(source):.0f} MB/s")
    finally:
        shutil.rmtree(room)
    print("Next: compare with an earlier run of this benchmark on the same machine.")


if __name__ == "__main__":
    main()

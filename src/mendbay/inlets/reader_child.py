"""The process that reads one drive on behalf of `reader.ReaderProcess`, so that a hang never reaches Mendbay.

Run as `python -I -S reader_child.py PATH CHANNEL MEMORY SLOT_BYTES SLOTS UNIT`: `CHANNEL` is one end of a
packet socket, `MEMORY` a memory file of `SLOTS` times `SLOT_BYTES`, both inherited; `UNIT` is the sector
size of an image file. Only the standard library, and little of it: a child is replaced in the middle of a
job and must be reading again at once. Nothing of `mendbay` is imported.

Packets are signed 64-bit integers, little-endian:

    to the child    round, offset, length, slot
    from the child  0, status, size, sector, physical, direct      once, when the drive is open
                    1, status, begun, finished, direct, 0          one for each read tried

`status` is the number of bytes read, or an errno below zero; times are nanoseconds of the monotonic clock.
After a read that fails or comes short, commands of the same round are skipped without an answer: whoever
queued them could not know.
"""

import contextlib
import errno
import fcntl
import mmap
import os
import stat
import struct
import sys
import time

COMMAND = struct.Struct("<4q")
ANSWER = struct.Struct("<6q")

BLKGETSIZE64 = 0x80081272
BLKSSZGET = 0x1268
BLKPBSZGET = 0x127B


class Drive:
    """An open source: what it is, and reads of it."""

    def __init__(self, path: str, unit: int) -> None:
        self.is_block = stat.S_ISBLK(os.stat(path).st_mode)
        self.sector = unit
        self.physical = 0
        self.direct = True
        try:
            self.descriptor = os.open(path, os.O_RDONLY | os.O_CLOEXEC | os.O_DIRECT)
        except OSError as trouble:
            if self.is_block or trouble.errno != errno.EINVAL:
                raise
            self.descriptor = os.open(path, os.O_RDONLY | os.O_CLOEXEC)
            self._through_cache()
        if self.is_block:
            self.sector = self._number(BLKSSZGET, "=i")
            self.physical = self._number(BLKPBSZGET, "=I")

    def _through_cache(self) -> None:
        self.direct = False
        os.posix_fadvise(self.descriptor, 0, 0, os.POSIX_FADV_RANDOM)

    def _number(self, request: int, form: str) -> int:
        answer = fcntl.ioctl(self.descriptor, request, bytes(struct.calcsize(form)))
        return int(struct.unpack(form, answer)[0])

    def size(self) -> int:
        """Bytes now; 0 for a drive that was unplugged."""
        if self.is_block:
            return self._number(BLKGETSIZE64, "=Q")
        return os.fstat(self.descriptor).st_size

    def read(self, view: memoryview, offset: int, length: int) -> int:
        """Bytes read, at most `length`, or an errno below zero. `view` holds whole sectors."""
        got = 0
        while got < length:
            try:
                count = os.preadv(self.descriptor, [view[got:]], offset + got)
            except OSError as trouble:
                if trouble.errno == errno.EINVAL and self.direct and not self.is_block:
                    self._leave_direct()
                    continue
                return -self._told(trouble.errno or errno.EIO)
            if count == 0:
                break
            got += count
            if self.direct and got % self.sector:
                break  # the ragged end of an image file; a further direct read there would be unaligned
        if not self.direct:
            os.posix_fadvise(self.descriptor, offset, len(view), os.POSIX_FADV_DONTNEED)
        return min(got, length)

    def _leave_direct(self) -> None:
        """The file system wants more alignment than the image's sectors have: go through its cache."""
        flags = fcntl.fcntl(self.descriptor, fcntl.F_GETFL)
        fcntl.fcntl(self.descriptor, fcntl.F_SETFL, flags & ~os.O_DIRECT)
        self._through_cache()

    def _told(self, number: int) -> int:
        """The errno to report: that of a missing device when the kernel has already taken the size away."""
        if self.is_block:
            with contextlib.suppress(OSError):
                return number if self.size() else errno.ENODEV
        return number


def serve(drive: Drive, channel: int, slots: list[memoryview]) -> None:
    """Answers commands until the other end is closed."""
    spoilt = -1
    while True:
        packet = os.read(channel, COMMAND.size)
        if len(packet) < COMMAND.size:
            return
        number, offset, length, slot = COMMAND.unpack(packet)
        if number == spoilt:
            continue
        whole = -(-length // drive.sector) * drive.sector
        begun = time.monotonic_ns()
        status = drive.read(slots[slot][:whole], offset, length)
        finished = time.monotonic_ns()
        if status != length:
            spoilt = number
        os.write(channel, ANSWER.pack(1, status, begun, finished, int(drive.direct), 0))


def main(path: str, channel: int, memory: int, slot_bytes: int, count: int, unit: int) -> None:
    """Opens the drive, says what it found, serves."""
    try:
        drive = Drive(path, unit)
        answer = (0, 0, drive.size(), drive.sector, drive.physical, int(drive.direct))
    except OSError as trouble:
        os.write(channel, ANSWER.pack(0, -(trouble.errno or errno.EIO), 0, 0, 0, 0))
        return
    whole = memoryview(mmap.mmap(memory, slot_bytes * count))
    os.write(channel, ANSWER.pack(*answer))
    serve(drive, channel, [whole[at * slot_bytes : (at + 1) * slot_bytes] for at in range(count)])


if __name__ == "__main__":
    with contextlib.suppress(BrokenPipeError, ConnectionResetError):
        main(sys.argv[1], *map(int, sys.argv[2:]))
    os._exit(0)  # no tidying: a drive that hangs on close must not delay the end

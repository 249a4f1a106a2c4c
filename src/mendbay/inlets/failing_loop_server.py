"""The process behind a `FailingLoop`: answers the kernel's requests for one file, with the faults described.

Spoken to over its standard input and output, one JSON text a line; it ends when its input does. Structures
and numbers are from the Linux headers `linux/fuse.h` (protocol 7.31), `linux/loop.h` and `linux/mount.h`.
"""

from __future__ import annotations

import ctypes
import errno
import fcntl
import json
import os
import struct
import sys
import threading
import time
from collections.abc import Callable
from pathlib import Path
from typing import Any

from mendbay.core.errors import MendbayError
from mendbay.inlets.fault_plan import Fate, FaultPlan, Turn
from mendbay.inlets.unsteady import take_state, write_state
from mendbay.inlets.unsteady_description import UnsteadyDescription, parse

FSOPEN, FSCONFIG, FSMOUNT = 430, 431, 432
"""System calls, the same number on every architecture (asm-generic/unistd.h)."""
FSOPEN_CLOEXEC, FSMOUNT_CLOEXEC = 1, 1
FSCONFIG_SET_STRING, FSCONFIG_CMD_CREATE = 1, 6

LOOP_CTL_GET_FREE = 0x4C82
LOOP_CONFIGURE = 0x4C0A
LOOP_SET_CAPACITY = 0x4C07
LO_FLAGS = 1 | 4 | 16
"""Read only, let go with the last reader, direct I/O."""
LOOP_CONFIG_BYTES = 304
LOOP_TRIES = 50

FUSE_FORGET, FUSE_GETATTR, FUSE_OPEN, FUSE_READ, FUSE_RELEASE, FUSE_FLUSH = 2, 3, 14, 15, 18, 25
FUSE_INIT, FUSE_INTERRUPT, FUSE_BATCH_FORGET = 26, 36, 42
INIT_FLAGS = 1 << 0 | 1 << 15 | 1 << 22
"""Asynchronous reads, asynchronous direct I/O, and requests of as many pages as `max_pages` says."""
OPEN_FLAGS = 1 << 0 | 1 << 5
"""Direct I/O; and no flush on close, or the end of a killed reader would wait for this process."""
MOST_READ_BYTES = 1 << 20
REQUEST_BYTES = 0x21000
HEADER = struct.Struct("<IIQQIIII")

HANG_MOST_SECONDS = 119.0
"""Under the two minutes after which the kernel reports a task as hung."""


def system_call(number: int, *words: object) -> int:
    """A system call that Python has no function for.

    Raises:
        OSError: it failed.
    """
    result = int(ctypes.CDLL(None, use_errno=True).syscall(number, *words))
    if result < 0:
        code = ctypes.get_errno()
        raise OSError(code, os.strerror(code))
    return result


class OneFile:
    """A FUSE file system whose root is the drive's content as a regular file."""

    def __init__(self, description: UnsteadyDescription) -> None:
        self.description = description
        self.plan = FaultPlan(description.faults())
        if description.state_file is not None:
            take_state(description.state_file, description, self.plan)
        self.image = os.open(description.image, os.O_RDONLY | os.O_CLOEXEC)
        sector = description.sector_bytes
        self.full_bytes = description.image_bytes // sector * sector
        self.log: list[tuple[int, int, str]] = []
        self.lock = threading.Lock()
        self.hanging = threading.Condition()
        self.released = False
        self.cuts = 0
        """How often the drive left the bus or lost its power: that ends every read under way."""
        self.when_vanished: Callable[[], None] = lambda: None
        self.channel = os.open("/dev/fuse", os.O_RDWR | os.O_CLOEXEC)

    @property
    def size_bytes(self) -> int:
        return 0 if self.plan.vanished else self.full_bytes

    def mount(self) -> int:
        """Mounts out of sight, begins to serve, and returns a descriptor of the file."""
        context = system_call(FSOPEN, b"fuse", FSOPEN_CLOEXEC)
        options = {
            "source": "mendbay",
            "fd": self.channel,
            "rootmode": "100444",
            "user_id": 0,
            "group_id": 0,
            "max_read": MOST_READ_BYTES,
        }
        for name, value in options.items():
            system_call(FSCONFIG, context, FSCONFIG_SET_STRING, name.encode(), str(value).encode(), 0)
        system_call(FSCONFIG, context, FSCONFIG_CMD_CREATE, None, None, 0)
        point = system_call(FSMOUNT, context, FSMOUNT_CLOEXEC, 1)
        os.close(context)
        # not sooner: the channel gives an error until it is mounted; not later: opening waits for an answer
        threading.Thread(target=self._serve, daemon=True).start()
        try:
            return os.open(f"/proc/self/fd/{point}", os.O_RDONLY | os.O_CLOEXEC)
        finally:
            os.close(point)

    def _serve(self) -> None:
        """Answers requests until the kernel ends the connection."""
        while True:
            try:
                request = os.read(self.channel, REQUEST_BYTES)
            except OSError as trouble:
                if trouble.errno in (errno.EINTR, errno.ENOENT, errno.EAGAIN):
                    continue
                return
            _, kind, unique, *_ = HEADER.unpack_from(request)
            self._answer(kind, unique, request[HEADER.size :])

    def _answer(self, kind: int, unique: int, body: bytes) -> None:
        if kind == FUSE_READ:
            _, offset, length = struct.unpack_from("<QQI", body)
            self._begin_read(unique, offset, length)
        elif kind == FUSE_INIT:
            self._reply(unique, self._init(body))
        elif kind == FUSE_GETATTR:
            self._reply(unique, self._attributes())
        elif kind == FUSE_OPEN:
            self._reply(unique, struct.pack("<QIi", 1, OPEN_FLAGS, 0))
        elif kind in (FUSE_RELEASE, FUSE_FLUSH):
            self._reply(unique)
        elif kind not in (FUSE_FORGET, FUSE_INTERRUPT, FUSE_BATCH_FORGET):  # these want no answer
            self._reply(unique, error=errno.ENOSYS)

    def _init(self, body: bytes) -> bytes:
        """struct fuse_init_out of protocol 7.31, 64 bytes."""
        _, _, read_ahead, offered = struct.unpack_from("<4I", body)
        pages = MOST_READ_BYTES // 4096
        head = struct.pack("<4I2H2I2H", 7, 31, read_ahead, offered & INIT_FLAGS, 64, 48, 1 << 17, 1, pages, 0)
        return head.ljust(64, b"\0")

    def _attributes(self) -> bytes:
        """struct fuse_attr_out, valid for no time at all: 16 bytes, then struct fuse_attr."""
        times = struct.pack("<3Q3I", 0, 0, 0, 0, 0, 0)
        about = struct.pack("<7I", 0o100444, 1, 0, 0, 0, 4096, 0)
        return struct.pack("<QII3Q", 0, 0, 0, 1, self.size_bytes, 0) + times + about

    def _begin_read(self, unique: int, offset: int, length: int) -> None:
        """Decides what becomes of a read; one that takes time is finished in a thread of its own, so that
        others are answered meanwhile."""
        sector = self.description.sector_bytes
        length = max(min(length, self.full_bytes - offset), 0)
        if length == 0:
            self._reply(unique)
            return
        with self.lock:
            fate = self.plan.meet(offset // sector, -(-length // sector))
            self.log.append((offset // sector, -(-length // sector), fate.turn.value))
            self.keep_state()
        delay = fate.seconds if self.description.real_time else fate.slow_seconds
        if delay > 0 or fate.turn in (Turn.HANGS, Turn.VANISHES):
            finish = (unique, offset, length, fate, delay, self.cuts)
            threading.Thread(target=self._finish, args=finish, daemon=True).start()
        else:
            self._finish(unique, offset, length, fate, 0.0, self.cuts)

    def keep_state(self) -> None:
        if self.plan.changed:
            worn = self.plan.worn()
            if self.description.state_file is not None:
                write_state(self.description.state_file, self.description, worn)

    def release(self) -> None:
        """Lets hanging reads go on."""
        with self.hanging:
            self.released = True
            self.hanging.notify_all()

    def cut_off(self) -> None:
        """Ends hanging reads with an error, as leaving the bus does."""
        with self.hanging:
            self.cuts += 1
            self.hanging.notify_all()

    def _hang(self, cuts: int) -> int:
        """Waits until a hanging read may go on; gives 0 then, or the errno with which it ends."""
        # bounded: a reader that cannot be killed could otherwise never end
        bound = min(self.description.hang_seconds, HANG_MOST_SECONDS)
        with self.hanging:
            self.hanging.wait_for(lambda: self.released or self.cuts != cuts, bound)
            if self.cuts != cuts:
                return errno.ENODEV
            return 0 if self.released else errno.ETIMEDOUT

    def _finish(self, unique: int, offset: int, length: int, fate: Fate, delay: float, cuts: int) -> None:
        time.sleep(delay)
        turn = fate.turn
        if turn is Turn.HANGS:
            error = self._hang(cuts)
            if error:
                self._reply(unique, error=error)
                return
        if turn is Turn.VANISHES:
            self.when_vanished()
        if turn in (Turn.VANISHES, Turn.GONE):
            self._reply(unique, error=errno.ENODEV)
        elif turn is Turn.REFUSES:
            self._reply(unique, error=getattr(errno, self.description.error))
        else:
            self._reply(unique, os.pread(self.image, length, offset))

    def _reply(self, unique: int, data: bytes = b"", error: int = 0) -> None:
        try:
            os.writev(self.channel, (struct.pack("<IiQ", 16 + len(data), -error, unique), data))
        except OSError as trouble:
            if trouble.errno not in (errno.ENOENT, errno.ENODEV):  # the asker has gone
                raise


class LoopDevice:
    """A read-only loop device over an open file, let go by the kernel when the last descriptor closes."""

    def __init__(self, backing: int, sector_bytes: int) -> None:
        self.backing = backing
        for _ in range(LOOP_TRIES):
            number = self._free_number()
            descriptor = os.open(f"/dev/loop{number}", os.O_RDONLY | os.O_CLOEXEC)
            try:
                fcntl.ioctl(descriptor, LOOP_CONFIGURE, self._config(number, sector_bytes))
            except OSError as trouble:
                os.close(descriptor)
                if trouble.errno != errno.EBUSY:
                    raise
                time.sleep(0.01)  # somebody else took this one first
                continue
            self.descriptor = descriptor
            self.path = f"/dev/loop{number}"
            return
        raise OSError(errno.EBUSY, "no free loop device")

    def _free_number(self) -> int:
        control = os.open("/dev/loop-control", os.O_RDWR | os.O_CLOEXEC)
        try:
            return fcntl.ioctl(control, LOOP_CTL_GET_FREE)
        finally:
            os.close(control)

    def _config(self, number: int, sector_bytes: int) -> bytes:
        """struct loop_config: descriptor, block size, struct loop_info64, reserved."""
        numbers = struct.pack("<5Q4I", 0, 0, 0, 0, 0, number, 0, 0, LO_FLAGS)
        names = struct.pack("<64s64s32s2Q", b"mendbay unsteady drive", b"", b"", 0, 0)
        return (struct.pack("<II", self.backing, sector_bytes) + numbers + names).ljust(
            LOOP_CONFIG_BYTES, b"\0"
        )

    def take_size(self) -> None:
        """Makes the device as large as its file is now."""
        os.fstat(self.backing)  # has the kernel ask for the size afresh
        fcntl.ioctl(self.descriptor, LOOP_SET_CAPACITY)


class Server:
    """The file, the loop device on it, and what may be asked of them."""

    def __init__(self, description: UnsteadyDescription) -> None:
        self.file = OneFile(description)
        self.loop = LoopDevice(self.file.mount(), description.sector_bytes)
        self.file.when_vanished = self._leave_the_bus

    def _leave_the_bus(self) -> None:
        self.file.cut_off()
        self.loop.take_size()

    def obey(self, command: str) -> object:
        """Does one command.

        Raises:
            ValueError: there is no such command.
        """
        plan = self.file.plan
        if command == "log":
            with self.file.lock:
                log, self.file.log = self.file.log, []
            return log
        with self.file.lock:
            if command == "unplug":
                plan.unplug()
            elif command == "power":
                plan.power_cycle()
            elif command == "release":
                plan.hangs = False
            else:
                raise ValueError(f"no such command: {command}")
            self.file.keep_state()
        if command == "release":
            self.file.release()
        else:
            self._leave_the_bus()
        return True


def main() -> None:
    """The first line is the description, every other one a command."""
    server: Server | None = None
    for line in sys.stdin.buffer:
        text = json.loads(line)
        answer: dict[str, Any]
        try:
            if server is None:
                server = Server(parse(text, Path("/")))
                answer = {"done": server.loop.path}
            else:
                answer = {"done": server.obey(text)}
        except (OSError, MendbayError, ValueError) as trouble:
            answer = {"trouble": str(trouble)}
        sys.stdout.write(json.dumps(answer) + "\n")
        sys.stdout.flush()
    os._exit(0)  # threads may still hold hanging reads


if __name__ == "__main__":
    main()

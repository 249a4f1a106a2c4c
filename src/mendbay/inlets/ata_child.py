"""The process that passes one command on to a drive on behalf of `ata.DriveLine`, so that a hang stays here.

Run as `python -I -S ata_child.py PATH CHANNEL`: `CHANNEL` is one end of a packet socket, inherited. Only the
standard library; nothing of `mendbay` is imported. The device is opened for each command and let go of at
once, because a name that is held open is not given to a drive that comes back.

    to the child    length of the block, block, bytes of data wanted, milliseconds
    from the child  errno, status, host byte, driver byte, bytes missing, milliseconds, length of sense,
                    sense, data

Data only ever comes from the device: there is no way to send any.
"""

import contextlib
import ctypes
import errno
import fcntl
import os
import stat
import struct
import sys
from collections.abc import Callable
from typing import Any

COMMAND = struct.Struct("<B16sII")
ANSWER = struct.Struct("<iBHHiIB64s512s")
SENSE_BYTES = 64
MOST_DATA = 512

SG_IO = 0x2285
"""Linux, include/scsi/sg.h, as all that follows."""
FROM_DEVICE, NO_DATA = -3, -1

Ioctl = Callable[[int, int, Any, bool], int]


class Header(ctypes.Structure):
    """`struct sg_io_hdr`."""

    _fields_ = (
        ("interface_id", ctypes.c_int),
        ("dxfer_direction", ctypes.c_int),
        ("cmd_len", ctypes.c_ubyte),
        ("mx_sb_len", ctypes.c_ubyte),
        ("iovec_count", ctypes.c_ushort),
        ("dxfer_len", ctypes.c_uint),
        ("dxferp", ctypes.c_void_p),
        ("cmdp", ctypes.c_void_p),
        ("sbp", ctypes.c_void_p),
        ("timeout", ctypes.c_uint),
        ("flags", ctypes.c_uint),
        ("pack_id", ctypes.c_int),
        ("usr_ptr", ctypes.c_void_p),
        ("status", ctypes.c_ubyte),
        ("masked_status", ctypes.c_ubyte),
        ("msg_status", ctypes.c_ubyte),
        ("sb_len_wr", ctypes.c_ubyte),
        ("host_status", ctypes.c_ushort),
        ("driver_status", ctypes.c_ushort),
        ("resid", ctypes.c_int),
        ("duration", ctypes.c_uint),
        ("info", ctypes.c_uint),
    )


def pass_on(path: str, packet: bytes, ioctl: Ioctl = fcntl.ioctl) -> bytes:
    """The answer to one command, as a packet."""
    length, block, wanted, milliseconds = COMMAND.unpack(packet)
    data = ctypes.create_string_buffer(MOST_DATA)
    sense = ctypes.create_string_buffer(SENSE_BYTES)
    command = ctypes.create_string_buffer(block, 16)
    header = Header(
        interface_id=ord("S"),
        dxfer_direction=FROM_DEVICE if wanted else NO_DATA,
        cmd_len=min(length, 16),
        mx_sb_len=SENSE_BYTES,
        dxfer_len=min(wanted, MOST_DATA),
        dxferp=ctypes.addressof(data) if wanted else None,
        cmdp=ctypes.addressof(command),
        sbp=ctypes.addressof(sense),
        timeout=milliseconds,
    )
    error = 0
    try:
        descriptor = os.open(path, os.O_RDONLY | os.O_NONBLOCK | os.O_CLOEXEC)
        try:
            if not stat.S_ISBLK(os.fstat(descriptor).st_mode):
                raise OSError(errno.ENOTTY, "no block device")
            ioctl(descriptor, SG_IO, header, True)
        finally:
            os.close(descriptor)
    except OSError as trouble:
        error = trouble.errno or errno.EIO
    return ANSWER.pack(
        error,
        header.status,
        header.host_status,
        header.driver_status,
        header.resid,
        header.duration,
        min(header.sb_len_wr, SENSE_BYTES),
        sense.raw,
        data.raw,
    )


def main(path: str, channel: int) -> None:
    """Answers until the other end is closed."""
    while True:
        packet = os.read(channel, COMMAND.size)
        if len(packet) < COMMAND.size:
            return
        os.write(channel, pass_on(path, packet))


if __name__ == "__main__":
    with contextlib.suppress(BrokenPipeError, ConnectionResetError):
        main(sys.argv[1], int(sys.argv[2]))
    os._exit(0)  # no tidying: a drive that hangs on close must not delay the end

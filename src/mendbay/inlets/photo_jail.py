"""What the kernel refuses to the process that reads pictures (seccomp, on Linux).

Python's own audit sees nothing of what libraries in other languages do, and it is those that decode pictures.
The kernel holds for all of them, in every thread, and nothing takes it back. Where it cannot be had (another
system or processor, or a kernel that refuses), callers are told, and Python's audit is all there is.
"""

from __future__ import annotations

import ctypes
import errno
import os
import platform
import struct
import sys
from collections.abc import Iterable
from dataclasses import dataclass

Numbers = tuple[int | None, int | None]
"""A system call's number on x86_64 and aarch64; None where there is none of that name."""

MACHINES = {"x86_64": (0, 0xC000003E), "aarch64": (1, 0xC00000B7)}
"""By machine, which of the numbers holds, and what the kernel calls its way of calling (linux/audit.h)."""

REACHING: dict[str, Numbers] = {
    "socket": (41, 198),
    "socketpair": (53, 199),
    "connect": (42, 203),
    "bind": (49, 200),
    "listen": (50, 201),
    "accept": (43, 202),
    "accept4": (288, 242),
    "sendmsg": (46, 211),
    "sendmmsg": (307, 269),
    "execve": (59, 221),
    "execveat": (322, 281),
    "fork": (57, None),
    "vfork": (58, None),
    "ptrace": (101, 117),
    "process_vm_readv": (310, 270),
    "process_vm_writev": (311, 271),
    "pidfd_open": (434, 434),
    "pidfd_getfd": (438, 438),
    "pidfd_send_signal": (424, 424),
    "kill": (62, 129),
    "tkill": (200, 130),
    "rt_sigqueueinfo": (129, 138),
    "rt_tgsigqueueinfo": (297, 240),
    "io_uring_setup": (425, 425),
    "io_uring_enter": (426, 426),
    "io_uring_register": (427, 427),
    "bpf": (321, 280),
    "perf_event_open": (298, 241),
    "userfaultfd": (323, 282),
    "add_key": (248, 217),
    "request_key": (249, 218),
    "keyctl": (250, 219),
    "unshare": (272, 97),
    "setns": (308, 268),
    "mount": (165, 40),
    "umount2": (166, 39),
    "pivot_root": (155, 41),
    "chroot": (161, 51),
    "open_by_handle_at": (304, 265),
    "init_module": (175, 105),
    "finit_module": (313, 273),
    "delete_module": (176, 106),
    "kexec_load": (246, 104),
    "kexec_file_load": (320, 294),
    "open_tree": (428, 428),
    "move_mount": (429, 429),
    "fsopen": (430, 430),
    "fsmount": (432, 432),
    "swapon": (167, 224),
    "swapoff": (168, 225),
    "acct": (163, 89),
    "reboot": (169, 142),
    "settimeofday": (164, 170),
    "clock_settime": (227, 112),
    "iopl": (172, None),
    "ioperm": (173, None),
}
"""Everything by which another process, a network or the system itself could be reached. Writing to the
channel (`sendto`) stays; there is no other socket to write to."""

CHANGING: dict[str, Numbers] = {
    "creat": (85, None),
    "openat2": (437, 437),
    "truncate": (76, 45),
    "ftruncate": (77, 46),
    "unlink": (87, None),
    "unlinkat": (263, 35),
    "rmdir": (84, None),
    "rename": (82, None),
    "renameat": (264, 38),
    "renameat2": (316, 276),
    "link": (86, None),
    "linkat": (265, 37),
    "symlink": (88, None),
    "symlinkat": (266, 36),
    "mkdir": (83, None),
    "mkdirat": (258, 34),
    "mknod": (133, None),
    "mknodat": (259, 33),
    "chmod": (90, None),
    "fchmod": (91, 52),
    "fchmodat": (268, 53),
    "fchmodat2": (452, 452),
    "chown": (92, None),
    "lchown": (94, None),
    "fchown": (93, 55),
    "fchownat": (260, 54),
    "utimensat": (280, 88),
    "setxattr": (188, 5),
    "lsetxattr": (189, 6),
    "fsetxattr": (190, 7),
    "removexattr": (197, 14),
    "lremovexattr": (198, 15),
    "fremovexattr": (199, 16),
    "utime": (132, None),
    "utimes": (235, None),
    "futimesat": (261, None),
    "ioctl": (16, 29),
}
"""Everything that changes files without writing a byte, which no limit on their size holds back; and by which
a drive that is open for reading alone can be told to write."""

CLONE: Numbers = (56, 220)
CLONE3: Numbers = (435, 435)
TGKILL: Numbers = (234, 131)
OPEN: Numbers = (2, None)
OPENAT: Numbers = (257, 56)
SECCOMP: Numbers = (317, 277)

CLONE_THREAD = 0x10000
WRITING = os.O_WRONLY | os.O_RDWR | os.O_CREAT | os.O_TRUNC
X32 = 0x40000000
"""From here on the numbers of x86_64 are those of another, older way of calling."""

LOAD, EQUAL, AT_LEAST, ANY_BIT, RETURN = 0x20, 0x15, 0x35, 0x45, 0x06
"""Instructions of the kernel's filters (linux/filter.h)."""
NUMBER, MACHINE, ARGUMENTS = 0, 4, 16
"""Where a filter finds the call's number, machine and arguments of eight bytes (linux/seccomp.h)."""
ALLOW, REFUSE, KILL = 0x7FFF0000, 0x00050000, 0x80000000
SET_MODE_FILTER, ALL_THREADS = 1, 1
PR_SET_NO_NEW_PRIVS = 38


@dataclass(frozen=True, slots=True)
class _Unless:
    """A call that is refused unless the lower half of an argument passes a test against a value; `passes` is
    the outcome of the test with which it is allowed."""

    call: Numbers
    argument: int
    test: int
    value: int
    passes: bool


def refuse_reaching_out() -> bool:
    """Refuses this process, for good, connections, programs, other processes and changes to the system.
    Threads may still be started.

    Returns:
        False where the kernel does not do so.
    """
    conditions = [
        _Unless(CLONE, 0, ANY_BIT, CLONE_THREAD, passes=True),
        _Unless(TGKILL, 0, EQUAL, os.getpid(), passes=True),
    ]
    # whoever starts a thread tries this first, and takes the other when there is no such call
    return _install(REACHING.values(), conditions, absent=[CLONE3])


def refuse_changing_files() -> bool:
    """Refuses this process, for good, to open files for writing, and to make, change or remove any.

    Returns:
        False where the kernel does not do so.
    """
    conditions = [
        _Unless(OPEN, 1, ANY_BIT, WRITING, passes=False),
        _Unless(OPENAT, 2, ANY_BIT, WRITING, passes=False),
    ]
    return _install(CHANGING.values(), conditions)


def _install(
    refused: Iterable[Numbers], conditions: Iterable[_Unless], absent: Iterable[Numbers] = ()
) -> bool:
    machine = MACHINES.get(platform.machine())
    if sys.platform != "linux" or machine is None or sys.byteorder != "little" or sys.maxsize < 1 << 32:
        return False
    which, called = machine
    code = _filter(which, called, refused, conditions, absent)
    text = ctypes.create_string_buffer(code, len(code))
    program = struct.pack("@HP", len(code) // 8, ctypes.addressof(text))
    try:
        library = ctypes.CDLL(None, use_errno=True)
        prctl, syscall = library.prctl, library.syscall
    except (OSError, AttributeError):
        return False
    if prctl(PR_SET_NO_NEW_PRIVS, 1, 0, 0, 0) != 0:
        return False
    number = ctypes.c_long(SECCOMP[which] or 0)
    return bool(syscall(number, SET_MODE_FILTER, ALL_THREADS, ctypes.c_char_p(program)) == 0)


def _filter(
    which: int,
    called: int,
    refused: Iterable[Numbers],
    conditions: Iterable[_Unless],
    absent: Iterable[Numbers],
) -> bytes:
    """The filter's instructions: code, steps to skip if so and if not, value."""
    refusal = (RETURN, 0, 0, REFUSE | errno.EPERM)
    lines = [
        (LOAD, 0, 0, MACHINE),
        (EQUAL, 1, 0, called),
        (RETURN, 0, 0, KILL),
        (LOAD, 0, 0, NUMBER),
        (AT_LEAST, 0, 1, X32),
        refusal,
    ]
    for call in refused:
        if (number := call[which]) is not None:
            lines += [(EQUAL, 0, 1, number), refusal]
    for call in absent:
        if (number := call[which]) is not None:
            lines += [(EQUAL, 0, 1, number), (RETURN, 0, 0, REFUSE | errno.ENOSYS)]
    for one in conditions:
        if (number := one.call[which]) is not None:
            lines += [
                (EQUAL, 0, 4, number),
                (LOAD, 0, 0, ARGUMENTS + 8 * one.argument),
                (one.test, int(one.passes), int(not one.passes), one.value),
                refusal,
                (LOAD, 0, 0, NUMBER),
            ]
    lines.append((RETURN, 0, 0, ALLOW))
    return b"".join(struct.pack("=HBBI", *line) for line in lines)

"""Stands in for `ata_child.py` in tests: answers from a script, as a process of its own.

The script is the file at PATH, JSON: for each command (`ec`, `b0d0`: command and feature, then the log) a
page in hexadecimal, or an object with any of `error`, `status`, `host`, `sense`, `data`; `hang` lists
commands that never answer, `die` those at which the process ends.
What was asked is in PATH.asked, the kernel's time-outs for it, in milliseconds, in PATH.times.
"""

import json
import os
import struct
import sys
import time
from pathlib import Path

COMMAND = struct.Struct("<B16sII")
ANSWER = struct.Struct("<iBHHiIB64s512s")


def name_of(length: int, block: bytes) -> str:
    command, feature, low = (
        (block[14], block[4], block[8]) if length == 16 else (block[9], block[3], block[5])
    )
    return f"{command:02x}" + (f"{feature:02x}" if feature else "") + (f"{low:02x}" if low else "")


def main(path: str, channel: int) -> None:
    while True:
        packet = os.read(channel, COMMAND.size)
        if len(packet) < COMMAND.size:
            return
        length, block, wanted, milliseconds = COMMAND.unpack(packet)
        script = json.loads(Path(path).read_text())
        name = name_of(length, block)
        with Path(path + ".asked").open("a") as log:
            log.write(f"{length} {name}\n")
        with Path(path + ".times").open("a") as log:
            log.write(f"{milliseconds}\n")
        if name in script.get("hang", ()):
            time.sleep(600)
        if name in script.get("die", ()):
            os._exit(1)
        given = script.get(f"{length}:{name}", script.get(name))
        if given is None:
            given = {"status": 2, "sense": script.get("unknown", "72052000000000000000000000000000")}
        if isinstance(given, str):
            given = {"data": given}
        data, sense = bytes.fromhex(given.get("data", "")), bytes.fromhex(given.get("sense", ""))
        os.write(
            channel,
            ANSWER.pack(
                *(given.get("error", 0), given.get("status", 0), given.get("host", 0), 0),
                *(max(0, wanted - len(data)), 7, len(sense), sense, data),
            ),
        )


if __name__ == "__main__":
    main(sys.argv[1], int(sys.argv[2]))

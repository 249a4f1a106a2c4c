"""What passes between `photo.PictureReader` and its child over a stream socket.

Every message is its length as four bytes, big-endian, then that many bytes. To the child goes one message
for a picture, its file's bytes; from it comes JSON: once `{"ready": true}` or `{"cannot": reason}`, then one
reading for each picture (`board.sighting_text`). Every message is bounded; nothing is ever unpickled.
"""

from __future__ import annotations

import socket
import struct
import time

from mendbay.board.sighting_text import NotAReading

LENGTH = struct.Struct(">I")
ANSWER_BYTES = 8 << 20


def send(channel: socket.socket, message: bytes) -> None:
    """Sends one message, within the time-out of the socket."""
    channel.sendall(LENGTH.pack(len(message)) + message)


def receive(channel: socket.socket, most: int, until: float | None = None) -> bytes:
    """One message of at most `most` bytes, by the monotonic time `until`.

    Raises:
        EOFError: the other end is closed.
        NotAReading: the message is longer.
        TimeoutError: it did not come in time.
    """
    length = LENGTH.unpack(_exactly(channel, LENGTH.size, until))[0]
    if length > most:
        raise NotAReading(f"a message of {length} bytes")
    return _exactly(channel, length, until)


def _exactly(channel: socket.socket, count: int, until: float | None) -> bytes:
    got = bytearray()
    while len(got) < count:
        if until is not None:
            left = until - time.monotonic()
            if left <= 0:
                raise TimeoutError
            channel.settimeout(left)
        part = channel.recv(min(count - len(got), 1 << 20))
        if not part:
            raise EOFError
        got += part
    return bytes(got)

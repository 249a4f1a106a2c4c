"""The process that decodes pictures for `preview.PreviewPool` and makes them anew, small and upright.

It takes text out of office documents too.

Run as `python -I -m mendbay.inlets.preview_child CHANNEL MEMORY_BYTES CPU_SECONDS PICTURES THREADS PARENT`.
It is held as the process that reads pictures is (`photo_child.py` says how and why); `preview_wire.py` says
what passes over its channel. Nothing of a picture's file is carried over: what is sent is encoded from
pixels.
"""

from __future__ import annotations

import contextlib
import json
import socket
import sys

from mendbay.inlets import photo_jail, photo_limits, photo_wire, preview_wire
from mendbay.jobs.preview_port import PICTURE_BYTES, MadeDocument, MadePicture, NoPreview


def serve(channel: socket.socket, cpu_seconds: int) -> None:
    """Loads the decoders, then answers until the other end is closed."""
    try:
        from mendbay.inlets import preview_office, preview_pdf, preview_picture
    except ImportError as trouble:
        photo_wire.send(channel, json.dumps({"cannot": str(trouble)[:300]}).encode())
        return
    photo_jail.refuse_changing_files()
    photo_wire.send(channel, json.dumps({"ready": True}).encode())
    while True:
        side, page, data = preview_wire.parts_of(photo_wire.receive(channel, PICTURE_BYTES + 8))
        photo_limits.allow_cpu(cpu_seconds)
        shown: MadePicture | MadeDocument | NoPreview
        if not side:
            shown = preview_office.made(*preview_wire.document_of(data))
        elif page:
            shown = preview_pdf.made(data, page, side)
        else:
            shown = preview_picture.made(data, side)
        photo_wire.send(channel, preview_wire.answered(shown))
        del data


def main(channel: int, memory_bytes: int, cpu_seconds: int, pictures: int, threads: int, parent: int) -> None:
    """Limits this process, then serves. Its decoders use as many threads as `threads` says in the
    environment alone."""
    photo_limits.bind_to_parent(parent)
    photo_limits.limit(memory_bytes, cpu_seconds, pictures)
    sys.addaudithook(photo_limits.guard)
    photo_jail.refuse_reaching_out()
    with socket.socket(fileno=channel) as ours, contextlib.suppress(EOFError, OSError):
        serve(ours, cpu_seconds)


if __name__ == "__main__":
    main(*map(int, sys.argv[1:]))

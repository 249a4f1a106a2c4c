"""`mendbay bench serve`: the bench in the browser."""

from __future__ import annotations

import os
import sys

import click

from mendbay.faces.cli.screen import Screen

PORT = 8437


@click.command(name="serve")
@click.option(
    "--address",
    default="127.0.0.1",
    show_default=True,
    help="Where to listen. Any other than this machine's own loopback asks for a key.",
)
@click.option(
    "--port", type=click.IntRange(0, 65535), default=PORT, show_default=True, help="0: any free one."
)
@click.option(
    "--name", "names", multiple=True, metavar="NAME", help="Another name browsers ask for it by; repeat it."
)
@click.option("--with-key", is_flag=True, help="Ask for the key also on this machine.")
@click.option(
    "--phone-port",
    type=click.IntRange(0, 65535),
    default=0,
    show_default=True,
    help="Where a phone is listened to while a code for one is open; 0: any free one.",
)
@click.pass_obj
def serve(
    screen: Screen, address: str, port: int, names: tuple[str, ...], with_key: bool, phone_port: int
) -> None:
    """Serve the bench as pages for a browser, until Ctrl-C.

    Only your own account of this machine is answered, unless --address or --with-key says otherwise: then
    whoever opens it needs the key that is shown here. What is being read when it ends goes on, and is shown
    again when it is back.
    """
    words = [sys.executable, "-m", "mendbay.faces.web", "--address", address, "--port", str(port)]
    if screen.home is not None:
        words += ["--home", str(screen.home)]
    for one in names:
        words += ["--name", one]
    if phone_port:
        words += ["--phone-port", str(phone_port)]
    if with_key:
        words.append("--with-key")
    if screen.as_json:
        words.append("--json")
    sys.stdout.flush()
    os.execv(sys.executable, words)  # noqa: S606 - the faces know nothing of each other, so this becomes the other

"""What the server holds for as long as it runs."""

from __future__ import annotations

import secrets
from collections.abc import Callable, Mapping
from dataclasses import dataclass, field
from importlib.resources import files
from pathlib import Path
from typing import TYPE_CHECKING, Any

from mendbay.faces.web.live import Pulse

if TYPE_CHECKING:
    from mendbay.faces.web.guard import Rules

STATIC_TYPES = {".css": "text/css", ".js": "text/javascript", ".svg": "image/svg+xml", ".txt": "text/plain"}


@dataclass(frozen=True, slots=True)
class Desk:
    """The shop's home and what is kept open of it.

    Args:
        home: where cases are kept; None for this machine's default.
        rules: who may ask.
        pulse: tells pages that something changed.
        boot: differs with every start of the server.
        static: the server's own files, by their path below `static/`.
        phone_port: where telephones are listened to while a key for one is open; 0 for any that is free.
        kept: what a view keeps between requests, by its own name; lost when the server ends.
    """

    home: Path | None
    rules: Rules
    pulse: Pulse
    boot: str = field(default_factory=lambda: secrets.token_hex(4))
    static: Mapping[str, tuple[bytes, str]] = field(default_factory=lambda: static_files())
    phone_port: int = 0
    kept: dict[str, Any] = field(default_factory=dict)

    def keep(self, name: str, make: Callable[[], Any]) -> Any:
        """What is kept under a name; made with the first asking. Where two ask first at once, what one of
        them made is dropped: nothing may begin with its making. What has an `end` is ended with the
        server."""
        if name not in self.kept:
            self.kept.setdefault(name, make())
        return self.kept[name]

    def end(self) -> None:
        """Ends what is kept, then the looking for changes."""
        for one in list(self.kept.values()):
            ended = getattr(one, "end", None)
            if ended is not None:
                ended()
        self.pulse.end()


def static_files() -> dict[str, tuple[bytes, str]]:
    """Path, bytes and media type of every file that pages load."""
    folder = files("mendbay.faces.web") / "static"
    found: dict[str, tuple[bytes, str]] = {}
    for place, prefix in ((folder, ""), (folder / "vendor", "vendor/")):
        for one in place.iterdir():
            kind = STATIC_TYPES.get(Path(one.name).suffix)
            if one.is_file() and kind is not None:
                found[prefix + one.name] = (one.read_bytes(), kind)
    return found

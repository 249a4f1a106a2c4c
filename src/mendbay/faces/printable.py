"""Names from a customer's drive as text in which nothing acts or hides."""

from __future__ import annotations


def printable(raw: bytes) -> str:
    """A name from a customer's drive to be shown: what is not plain text shows as an escape, so
    that no name can move the cursor or hide another."""
    text = raw.decode("utf-8", "surrogateescape")
    return "".join(
        f"\\x{ord(one) - 0xDC00:02x}"
        if "\udc80" <= one <= "\udcff"
        else one
        if one.isprintable() and one != "\\"
        else "".join(f"\\x{byte:02x}" for byte in one.encode())
        for one in text
    )

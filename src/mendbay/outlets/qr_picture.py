"""A QR code (ISO/IEC 18004, error correction M) as a picture for a page."""

from __future__ import annotations

import numpy as np
import zxingcpp


def qr_svg(text: str, words: str) -> str:
    """The code of a text as SVG, dark on light whatever is around it, with the quiet zone that it needs.
    Nothing of the text stands in it but the code.

    Args:
        words: what it is, for those who do not see it; plain letters, digits and blanks.
    """
    if not all(one.isalnum() or one == " " for one in words):
        raise ValueError("words of a code are plain")
    code = zxingcpp.create_barcode(text, zxingcpp.BarcodeFormat.QRCode, ec_level="M")
    dark = np.asarray(code.to_image(scale=1, add_quiet_zones=True)) < 128
    height, width = dark.shape
    path = "".join(f"M{x} {y}h1v1h-1z" for y, x in np.argwhere(dark).tolist())
    return (
        f'<svg class="qr" viewBox="0 0 {width} {height}" role="img" aria-label="{words}" '
        f'shape-rendering="crispEdges"><rect width="{width}" height="{height}" fill="#ffffff"/>'
        f'<path d="{path}" fill="#000000"/></svg>'
    )

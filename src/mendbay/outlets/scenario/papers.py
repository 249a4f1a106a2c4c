"""The studio's paperwork: invoices, letters, price lists, orders, and the pages of its shop."""

from __future__ import annotations

import html
import io
import random
from datetime import UTC, datetime
from pathlib import Path

import typst
from PIL import Image

from mendbay.outlets.scenario import story
from mendbay.outlets.scenario.drawing.glazes import GLAZES
from mendbay.outlets.scenario.drawing.photographs import Photograph, draw_photograph

CUSTOMERS = (
    "Odd Harbour Tea Room",
    "Umbelow Kitchen",
    "The Larder at Ostwell Green",
    "Tessaly Orrin",
    "Brindle and Fosk, Florists",
    "Lantern Row Gallery",
    "Pennimore Guest House",
    "Corvin Ashby-Thorne",
)
GOODS = (
    ("Mug", 24),
    ("Bowl, small", 22),
    ("Bowl, large", 48),
    ("Vase", 65),
    ("Plate", 34),
    ("Jar", 58),
    ("Beaker", 19),
)

INVOICE = """
#set document(title: "Invoice {number}", author: "{studio}", date: none)
#set page(paper: "a4", margin: 24mm)
#set text(size: 10.5pt)
#text(size: 20pt, weight: "bold")[{studio}]
#v(-4pt)
#text(fill: luma(90))[Wheel-thrown stoneware · {owner}]
#v(14mm)
#grid(columns: (1fr, auto), [*To* \\ {customer}], [*Invoice {number}* \\ {date}])
#v(8mm)
#table(columns: (1fr, auto, auto, auto), stroke: (x, y) => (bottom: 0.4pt + luma(160)), inset: 6pt,
  [*Piece*], [*Number*], [*Each*], [*Amount*],
  {rows}
)
#v(4mm)
#align(right)[*Total {total}.00* \\ #text(size: 9pt)[payable within 30 days]]
#v(1fr)
#text(size: 9pt, fill: luma(90))[Each piece differs a little in colour and size; that is the kiln's doing.]
"""


def write_invoice(path: Path, seed: int, number: str, customer: str, dated: int) -> None:
    """Writes an invoice as PDF; the same arguments give the same bytes."""
    chance = random.Random(f"invoice {seed} {number}")  # noqa: S311 - an invented studio
    rows, total = [], 0
    for piece, price in chance.sample(GOODS, chance.randint(2, 5)):
        count = chance.randint(1, 24)
        glaze = chance.choice(GLAZES).name.lower()
        rows.append(f"[{piece}, {glaze}], [{count}], [{price}.00], [{count * price}.00],")
        total += count * price
    text = INVOICE.format(
        number=number,
        studio=story.STUDIO,
        owner=story.OWNER,
        customer=customer,
        date=_day(dated),
        rows="\n  ".join(rows),
        total=total,
    )
    path.write_bytes(typst.compile(text.encode()))


def write_letter(path: Path, seed: int, customer: str, dated: int) -> None:
    """Writes a letter as plain text."""
    chance = random.Random(f"letter {seed} {customer} {dated}")  # noqa: S311 - an invented studio
    piece, price = chance.choice(GOODS)
    glaze, count = chance.choice(GLAZES).name.lower(), chance.randint(3, 30)
    path.write_text(
        f"{story.STUDIO}\n{_day(dated)}\n\nDear {customer},\n\n"
        f"thank you for your order. The {count} pieces ({piece.lower()}, {glaze}) are thrown and drying;\n"
        f"they go into the bisque next week and into the glaze firing the week after. As agreed the\n"
        f"price is {price} each.\n"
        f"I keep back {chance.randint(1, 4)} spare ones in case the kiln takes its share.\n\n"
        f"Photographs of the test tiles are with this letter: the second is the one we spoke of.\n\n"
        f"With kind regards\n{story.OWNER}\n",
        encoding="utf-8",
    )


def write_prices(path: Path, raised: int) -> None:
    """Writes the price list as CSV; `raised` is added to every price."""
    lines = ["piece;glaze;price"]
    lines += [f"{piece};{glaze.name};{price + raised}.00" for piece, price in GOODS for glaze in GLAZES]
    path.write_text("\r\n".join(lines) + "\r\n", encoding="utf-8")


def write_orders(path: Path, seed: int, until: int) -> None:
    """Writes every order up to a moment as CSV; later lists begin with the same lines."""
    chance = random.Random(f"orders {seed}")  # noqa: S311 - an invented studio
    lines, at = ["number;day;customer;piece;glaze;count;price;paid"], story.BOX_SET_UP_AT
    for number in range(1, 5000):
        at += chance.randint(3600, 30 * 3600)
        if at > until:
            break
        piece, price = chance.choice(GOODS)
        row = (f"Q{number:04d}", _day(at), chance.choice(CUSTOMERS), piece, chance.choice(GLAZES).name)
        lines.append(
            ";".join((*row, str(chance.randint(1, 24)), f"{price}.00", chance.choice(("yes", "yes", "no"))))
        )
    path.write_text("\n".join(lines) + "\n", encoding="utf-8")


def write_shop_page(path: Path, pieces: int) -> None:
    """Writes the shop's page, which shows `pieces/00.jpg` and so on."""
    cards = []
    for number in range(pieces):
        piece, price = GOODS[number % len(GOODS)]
        name = html.escape(f"{piece}, {GLAZES[number % len(GLAZES)].name.lower()}")
        image = f'<img src="pieces/{number:02d}.jpg" alt="{name}">'
        cards.append(f"    <figure>{image}<figcaption>{name}: {price}.00</figcaption></figure>")
    path.write_text(
        '<!doctype html>\n<html lang="en">\n<head><meta charset="utf-8"><title>Quillmere Pottery</title>'
        '<link rel="stylesheet" href="style.css"></head>\n<body>\n  <h1>Quillmere Pottery</h1>\n'
        "  <p>Stoneware for the table, thrown and fired here.</p>\n  <main>\n"
        + "\n".join(cards)
        + "\n  </main>\n</body>\n</html>\n",
        encoding="utf-8",
    )


def write_style(path: Path) -> None:
    """Writes the style sheet of the shop's page."""
    path.write_text(
        "body { font: 17px/1.5 Georgia, serif; margin: 2rem auto; max-width: 60rem; color: #33302b; }\n"
        "main { display: grid; grid-template-columns: repeat(auto-fill, minmax(14rem, 1fr)); gap: 1.5rem; }\n"
        "img { width: 100%; border-radius: 4px; }\nfigure { margin: 0; }\n",
        encoding="utf-8",
    )


def write_thumbnail(path: Path, seed: int, photograph: Photograph) -> None:
    """Writes a small picture for the shop."""
    picture = Image.open(io.BytesIO(draw_photograph(photograph, seed)))
    picture.resize((480, 360), Image.Resampling.LANCZOS).save(path, "JPEG", quality=82)


def _day(moment: int) -> str:
    return datetime.fromtimestamp(moment, UTC).strftime("%Y-%m-%d")

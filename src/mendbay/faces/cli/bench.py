"""`mendbay bench`: the shop itself: its papers, its prices, its lessons, and serving it."""

from __future__ import annotations

from decimal import Decimal
from pathlib import Path

import click

from mendbay.case.price_list import PriceList, packaged_prices
from mendbay.faces import wording
from mendbay.faces.cli.bench_lessons import lessons
from mendbay.faces.cli.bench_reckon import reckon
from mendbay.faces.cli.bench_save import check, put, save
from mendbay.faces.cli.bench_serve import serve
from mendbay.faces.cli.screen import Screen, table, wrapped
from mendbay.jobs.money_papers import span_words
from mendbay.jobs.quote_lines import PRICES, SETTINGS, prices_in_force
from mendbay.wiring import open_bench, own_papers, shop_files


@click.group(name="bench")
def command() -> None:
    """The bench in the browser; the shop's papers and prices, and what its cases teach.

    The whole shop is one folder: save copies it while it is at work, check-saved looks at a copy, put-back
    puts one where no shop is.
    """


@command.command(name="papers")
@click.option("--copy", "copied", default="", metavar="NAME", help="Put this wording where you can edit it.")
@click.pass_obj
def papers(screen: Screen, copied: str) -> None:
    """List the wordings of papers and letters, or put one where it can be edited.

    A wording of your own stands before ours; delete its file to have ours again. docs/formats/papers.md
    explains how they are written.
    """
    files = shop_files(screen.home)
    if copied:
        path = own_papers(screen.home).copy(copied)
        screen.answer({"path": str(path)}, wrapped(f"Edit {path}"))
        return
    names, own = own_papers(screen.home).names(), set(files.names("papers"))
    rows = [(one, "your own" if one in own else "ours") for one in names]
    screen.answer([{"paper": one, "own": one in own} for one in names], table(rows, ("paper", "wording")))


@command.command(name="prices")
@click.option("--copy", "copied", is_flag=True, help="Put the example where you can edit it.")
@click.pass_obj
def prices(screen: Screen, copied: bool) -> None:
    """Show the prices in force, or put our example where it can be edited.

    Until the shop has amounts of its own, quotes are made with invented prices and say so.
    docs/formats/prices.md explains the file.
    """
    if copied:
        path = shop_files(screen.home).keep_new(SETTINGS, PRICES, packaged_prices())
        screen.answer({"path": str(path)}, wrapped(f"Edit {path}"))
        return
    with open_bench(screen.home, tell=screen.tell) as bench:
        found = prices_in_force(bench)
    files = shop_files(screen.home)
    copy = None if files.text(SETTINGS, PRICES) is None else files.path_of(SETTINGS, PRICES)
    screen.answer(_prices_json(found), _prices_text(found, copy))


def _prices_text(found: PriceList, copy: Path | None) -> str:
    """
    Args:
        copy: the shop's own file, if there is one.
    """
    listed = [found.diagnosis, found.hour, *found.prices.values(), *(one.price for one in found.media)]
    listed += [found.shipping, *found.work.values()]
    rows = [(one.id, str(one.stage), one.unit, span_words(one.low, one.high)) for one in listed]
    tax = f"{found.tax_name} {found.rate.normalize():f} %"
    free = ", ".join(found.free) or "nothing"
    markup = f"{Decimal(found.markup.numerator * 100) / found.markup.denominator:f}"
    lines = [
        "Your own prices." if found.own else "THE PRICES OF AN EXAMPLE: they are invented.",
        f"In {found.currency}, {tax} {'included' if found.included else 'not included'}.",
        "",
        table(rows, ("id", "stage", "unit", "price"), right=(3,)),
        "",
        wrapped(f"Free if no wanted file comes back: {free}."),
        wrapped(f"Parts from the stock: what they cost and {markup} % more."),
        f"A quote is valid for {found.valid_days} days.",
    ]
    if found.own and found.invented:
        kept = [one.id for one in listed if one.id in found.invented]
        lines.append(wrapped(f"Still as in our invented example: {', '.join(kept)}."))
    if copy is None:
        lines.append(f"Next: {wording.called_as()} bench prices --copy")
    elif not found.own:
        lines += ["Next: put your own amounts into", str(copy)]
    return "\n".join(lines)


def _prices_json(found: PriceList) -> dict[str, object]:
    listed = [found.diagnosis, found.hour, *found.prices.values(), *(one.price for one in found.media)]
    return {
        "own": found.own,
        "currency": found.currency,
        "tax": {"name": found.tax_name, "rate": f"{found.rate:f}", "included": found.included},
        "valid_days": found.valid_days,
        "free": [str(one) for one in found.free],
        "invented": sorted(found.invented),
        "prices": [
            {
                "id": one.id,
                "stage": str(one.stage),
                "words": one.words,
                "unit": one.unit,
                "low": one.low.minor,
                "high": one.high.minor,
                "rate": f"{one.rate:f}",
            }
            for one in (*listed, found.shipping, *found.work.values())
        ],
    }


command.add_command(lessons)
command.add_command(reckon)
command.add_command(serve)
command.add_command(save)
command.add_command(check)
command.add_command(put)

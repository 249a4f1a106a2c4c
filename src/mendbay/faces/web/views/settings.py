"""The shop's own settings: prices, wordings, limits, the relay; each looked at before it is kept."""

from __future__ import annotations

import re
from dataclasses import dataclass
from decimal import Decimal
from typing import TYPE_CHECKING, Any

from mendbay.case.agenda import LIMITS
from mendbay.case.price_list import packaged_prices
from mendbay.case.shop import Shop, read_shop
from mendbay.core.errors import NoSuchItem
from mendbay.core.quantity import counted
from mendbay.faces.keeping_words import AFTER, rule_words
from mendbay.faces.saving_words import SAVE, last_words
from mendbay.faces.web.addresses import Book
from mendbay.faces.web.answers import Answer, Page
from mendbay.faces.web.fields import secret, text
from mendbay.faces.web.own_account import is_ours_alone, require_account
from mendbay.faces.web.serve import KEY_FILE
from mendbay.faces.web.views.setting_forms import SHOP, earlier_words, form_facts, said_shop
from mendbay.faces.web.views.setting_prices import prices_form
from mendbay.faces.web.views.setting_relay import BEGIN as RELAY_BEGIN
from mendbay.faces.web.views.setting_relay import relay_form
from mendbay.faces.web.views.setting_wordings import LONGEST, or_trouble, paper_words
from mendbay.faces.web.views.tried_papers import Printed, printed
from mendbay.faces.web.visit import Visit
from mendbay.handback.keeping import DEFAULT_DAYS
from mendbay.jobs.keep_copies import Held, keeping
from mendbay.jobs.money_papers import span_words
from mendbay.jobs.paper_sample import trial_facts
from mendbay.jobs.papers import shop_of
from mendbay.jobs.quote_lines import PRICES, SETTINGS, prices_in_force
from mendbay.jobs.save_shop import last_save
from mendbay.jobs.shop_settings import PAPERS, POWER, keep_text, keeping_text, limits_text, shop_text
from mendbay.wiring import home_folder, open_bench, own_papers, setting_check, shop_copies, shop_files, tool

if TYPE_CHECKING:
    from mendbay.case.price_list import PriceList

BOOK = Book()
TYPED_THERE = re.compile(r"(mendbay bench [a-z-]+ FOLDER|sha256sum -c \S+|--[a-z-]+)")
"""What of the sentences on saving is typed at a terminal."""
COPIES_KEPT_SECONDS = 10.0
"""How long what the shop holds is shown without a look at its folders, which no ledger tells."""


@dataclass(frozen=True, slots=True)
class Setting:
    """A file of the shop in `settings/`.

    Args:
        words: what it is called here.
        does: what it is for, as a sentence.
        ours: what holds while there is none, as a sentence.
        begin: the text to begin one with.
    """

    words: str
    does: str
    ours: str
    begin: str


FILES = {
    "shop": Setting(
        "Name and address of the shop",
        "They stand on every paper; the page is A4 or Letter.",
        "Papers name no shop.",
        shop_text(Shop()),
    ),
    PRICES: Setting(
        "Prices",
        "Quotes are made of them.",
        "Quotes are made with the invented prices of an example, and say so.",
        packaged_prices(),
    ),
    "agenda": Setting(
        "Limits on waiting",
        "For how many days a case may wait before it is told as late.",
        "Our own limits hold.",
        limits_text(LIMITS),
    ),
    "keeping": Setting(
        "Keeping copies",
        "For how many days after the hand-back, or the closing of a case without one, copies are kept, if "
        "nothing else was agreed.",
        f"They are kept for {DEFAULT_DAYS} days.",
        keeping_text(DEFAULT_DAYS),
    ),
    POWER: Setting(
        "Relay that cuts a drive's power",
        "A command that is run when a drive that is being read vanished; {bay} stands for its bay.",
        "The person at the bench is asked.",
        RELAY_BEGIN,
    ),
}


@BOOK.page("/settings", "settings", "What holds in this shop, and where it comes from.")
def settings(visit: Visit) -> Answer:
    files = shop_files(visit.desk.home)
    own = {*files.names(SETTINGS)}
    papers = set(files.names(PAPERS))
    with visit.bench() as bench:
        who = bench.who
        last, wants_saving = last_words(last_save(bench), bench.now())
        prices, prices_trouble = or_trouble(lambda: prices_in_force(bench))
        shop, shop_trouble = or_trouble(lambda: shop_of(bench))
    facts = {
        "files": [(name, one, name in own) for name, one in FILES.items()],
        "papers": [(name, paper_words(name), name in papers) for name in own_papers(visit.desk.home).names()],
        "prices": None if prices is None else _price_facts(prices),
        "shop": shop,
        "troubles": [one for one in (prices_trouble, shop_trouble) if one is not None],
        "who": who,
        "home": str(home_folder(visit.desk.home)),
        "tool": tool(),
        "save": [TYPED_THERE.split(one) for one in SAVE],
        "last": last,
        "wants_saving": wants_saving,
        "is_open": not is_ours_alone(visit),
    }
    return Page("settings.html", facts)


@BOOK.page("/settings/file/{file}", "setting", "A file of the shop as text.")
def setting(visit: Visit) -> Answer:
    return _page(visit, visit.path["file"])


@BOOK.page("/settings/shop/try", "shop-tried", "Leads back to the details in force.")
def shop_tried(visit: Visit) -> Answer:
    return visit.go("setting", file="shop")


@BOOK.change(
    "/settings/shop/try", "try-shop", "Shows a sheet with name and address of a form; nothing is kept.", SHOP
)
def try_shop(visit: Visit) -> Answer:
    text = said_shop(visit)
    papers = own_papers(visit.desk.home)
    with visit.bench() as bench:
        facts = trial_facts(bench, read_shop(text))
    return _page(visit, "shop", text, printed(visit, papers.try_pdf("trial", papers.wording("trial"), facts)))


def _page(visit: Visit, name: str, tried: str = "", sheet: Printed | None = None) -> Answer:
    """
    Args:
        tried: a text to be shown in place of the one in force; empty for that.
        sheet: a paper that was tried with it.
    """
    one = _setting(name)
    files = shop_files(visit.desk.home)
    own = files.text(SETTINGS, name)
    trouble = None if own is None else or_trouble(lambda: setting_check(name)(own))[1]
    said = tried or (one.begin if own is None else own)
    form = relay_form(said) if name == POWER else form_facts(name, said)
    prices = prices_form(said) if name == PRICES else None
    return Page(
        "setting.html",
        {
            "head": one.words,
            "does": one.does,
            "form": form,
            "prices": prices,
            "wording": None,
            "tried": bool(tried),
            "printed": sheet,
            "text_alone": form is None and prices is None and trouble is None,
            "holds_now": name != POWER,
            "ours": one.ours,
            "own": own is not None,
            "text": said,
            "now": own or "",
            "trouble": trouble,
            "place": str(files.path_of(SETTINGS, name)),
            "keep": visit.url("keep-setting", file=name),
            "keep_name": "keep-setting",
            "away": visit.url("put-setting-away", file=name),
            "guarded": name == POWER,
            "locked": name == POWER and not is_ours_alone(visit),
            "key_place": str(home_folder(visit.desk.home) / KEY_FILE),
        },
    )


KEY = secret("key", "Key of this bench")
TEXT = text("text", "The file", required=True, limit=LONGEST)


@BOOK.change(
    "/settings/file/{file}/keep",
    "keep-setting",
    "Keeps a file of the shop if what reads it takes it; else the old one stays.",
    [TEXT, KEY],
)
def keep_setting(visit: Visit) -> Answer:
    name = visit.path["file"]
    one = _setting(name)
    require_account(visit, name)
    files = shop_files(visit.desk.home)
    with visit.desk.lock:
        visit.require_unchanged("the file", files.text(SETTINGS, name) or "")
        kept = keep_text(files, SETTINGS, name, visit.said["text"], setting_check(name))
    return visit.go("settings", f"{one.words}: kept, and in force from now on.{earlier_words(kept)}")


@BOOK.change(
    "/settings/file/{file}/away",
    "put-setting-away",
    "Puts a file of the shop away, so that ours holds; it stays beside under a number.",
    [KEY],
)
def put_setting_away(visit: Visit) -> Answer:
    name = visit.path["file"]
    one = _setting(name)
    require_account(visit, name)
    files = shop_files(visit.desk.home)
    with visit.desk.lock:
        visit.require_unchanged("the file", files.text(SETTINGS, name) or "")
        earlier = files.put_away(SETTINGS, name)
    told = f"The file is now {earlier}. {one.ours}" if earlier else f"There was no file. {one.ours}"
    return visit.go("settings", told)


@BOOK.page("/settings/copies", "kept-copies", "What the shop still holds of its cases, and what is due.")
def copies(visit: Visit) -> Answer:
    home = visit.desk.home

    def gather() -> tuple[tuple[Held, ...], str]:
        with open_bench(home) as bench:
            return tuple(keeping(bench, shop_copies(home))), bench.now()

    gathered = visit.desk.gathered("copies", gather, kept_seconds=COPIES_KEPT_SECONDS)
    if gathered is None:
        return Page("gathering.html", {"what": "What the shop still holds"})
    found = gathered.found
    facts = {"rows": [_held_row(one) for one in found], "rules": list(rule_words(found))}
    return Page("settings_copies.html", facts)


def _held_row(one: Held) -> dict[str, Any]:
    return {
        "case": one.case.number,
        "state": one.case.state.words,
        "until": one.case.keep_until or f"{counted(one.rule.days, 'day')} {AFTER}",
        "due": one.due,
        "stored": sum(each.stored_bytes for each in one.amounts.values()),
        "held": [f"{sort}: {counted(each.files, 'file')}" for sort, each in one.amounts.items()],
        "elsewhere": one.elsewhere,
    }


def _setting(name: str) -> Setting:
    if name not in FILES:
        raise NoSuchItem(f"There is no setting {name[:40]!r}.", "The settings list them.")
    return FILES[name]


def _price_facts(found: PriceList) -> dict[str, Any]:
    listed = [found.diagnosis, found.hour, *found.prices.values(), *(one.price for one in found.media)]
    listed += [found.shipping, *found.work.values()]
    markup = Decimal(found.markup.numerator * 100) / found.markup.denominator
    return {
        "own": found.own,
        "invented": sum(one.id in found.invented for one in listed),
        "listed": len(listed),
        "currency": found.currency,
        "tax": f"{found.tax_name} {found.rate.normalize():f} %",
        "included": found.included,
        "rows": [
            (one.id, str(one.stage), one.words, one.unit, span_words(one.low, one.high)) for one in listed
        ],
        "free": ", ".join(found.free) or "nothing",
        "markup": f"{markup:f}",
        "valid_days": found.valid_days,
    }

"""The shop's settings, through the browser."""

from __future__ import annotations

import json
import re
from collections.abc import Iterator
from html import unescape
from pathlib import Path

import pytest

from mendbay import wiring
from mendbay.core.errors import ToolMissing
from mendbay.core.note import Note, NoteKind
from mendbay.faces.web.guard import Rules
from mendbay.faces.web.serve import bench_key
from mendbay.jobs.papers import shop_of
from support.saved_shops import make_shop
from support.web_client import HOST, ORIGIN, Web, text_of, web_on

RELAY = 'command = ["/bin/true", "{bay}"]\n'
SHOP = 'name = "The <b>mill"\nlines = ["3 Mill Lane"]\n'


def seen_of(page: str) -> str:
    found = re.search(r'name="seen" value="(\w+)"', page)
    assert found
    return found[1]


def test_settings_tell_what_is_in_force(web: Web) -> None:
    page = text_of(web.get("/settings"))
    assert "The prices of an example: they are invented." in page
    assert str(web.home) in page
    assert "Message with a quote ours" in page
    assert "mendbay bench save FOLDER" in page  # how all of it is saved
    assert "This shop was never saved" in page


def note_save(web: Web, at: str) -> None:
    body = {"folder": "/mnt/<b>safe", "made_at": at, "with_images": False}
    with wiring.open_bench(web.home) as bench:
        bench.notes.add(Note(0, "", NoteKind.SAVING, "saved", at, "Kim", json.dumps(body)))


def test_when_the_shop_was_last_saved_is_told_and_a_long_time_ago_is_warned_of(web: Web) -> None:
    note_save(web, "2020-01-01T10:00:00Z")
    found = web.get("/settings")
    assert '<strong class="late">Last saved 2020-01-01 10:00 UTC into /mnt/&lt;b&gt;safe' in found
    assert "more than 7 days ago" in found
    with wiring.open_bench(web.home) as bench:
        note_save(web, bench.now())
    found = web.get("/settings")
    assert "Last saved" in found
    assert "without the images of drives" in found
    assert "days ago" not in found


def test_forgetting_and_erasing_name_the_last_copy(web: Web) -> None:
    make_shop(web.home)
    for page in ("/case/1/closing/forget", "/case/1/closing/erase"):
        assert "saved copies" not in web.get(page)
    note_save(web, "2026-11-01T10:00:00Z")
    for page in ("/case/1/closing/forget", "/case/1/closing/erase"):
        found = web.get(page).replace("\N{NO-BREAK SPACE}", " ")
        assert "saved copies of the whole shop, the last of 2026-11-01 10:00 UTC" in found
        assert " in /mnt/&lt;b&gt;safe: saved into" in found


def test_a_sound_file_is_kept_and_the_earlier_one_beside(web: Web) -> None:
    seen = seen_of(web.get("/settings/file/shop"))
    page = web.done("/settings/file/shop/keep", {"text": SHOP, "seen": seen})
    assert "The &lt;b&gt;mill" in page
    assert (web.home / "settings" / "shop.toml").read_text() == SHOP
    stale = web.post("/settings/file/shop/keep", {"text": 'name = "Other"', "seen": seen}, status=409)
    assert "changed by somebody else" in stale.text
    web.post("/settings/file/shop/keep", {"text": 'name = "Other"\r\n'})
    assert (web.home / "settings" / "shop.toml").read_text() == 'name = "Other"\n'
    assert (web.home / "settings" / "shop.toml.1").read_text() == SHOP


@pytest.mark.parametrize(
    ("name", "text", "words"),
    [
        ("shop", "nmae = 3", "settings/shop.toml has the unknown key 'nmae'."),
        ("shop", "name = ", "settings/shop.toml is not TOML"),
        ("prices", "hour = 3", "settings/prices.toml"),
        ("agenda", "[wait_days]\ncustomer = -1", "settings/agenda.toml has customer = -1."),
        ("keeping", "days = 1.5", "settings/keeping.toml has the days 1.5."),
    ],
)
def test_a_wrong_file_is_refused_with_the_readers_own_words(
    web: Web, name: str, text: str, words: str
) -> None:
    refused = web.post(f"/settings/file/{name}/keep", {"text": text}, status=409)
    assert words in text_of(refused.text)
    assert not (web.home / "settings").exists()
    web.post(f"/settings/file/{name}/keep", {"text": "  "}, status=422)


def test_a_file_that_is_broken_already_can_be_mended(web: Web) -> None:
    (web.home / "settings").mkdir()
    (web.home / "settings" / "prices.toml").write_text("<broken>")
    assert "settings/prices.toml" in web.get("/settings")
    page = web.get("/settings/file/prices")
    assert "&lt;broken&gt;" in page
    assert "is not" in text_of(page)
    web.post("/settings/file/prices/away", {"seen": seen_of(page)})
    assert not (web.home / "settings" / "prices.toml").exists()
    assert (web.home / "settings" / "prices.toml.1").read_text() == "<broken>"


def test_no_other_file_can_be_named(web: Web) -> None:
    for name in ("..%2Fcases", "ledger", "power%2F..%2Fshop", "fonts"):
        assert web.client.get(f"/settings/file/{name}").status_code == 404
    for name in ("..%2F..%2Fetc", "nothing"):
        assert web.client.get(f"/settings/paper/{name}").status_code == 404
        answer = web.client.post(
            f"/settings/paper/{name}/keep", data={"text": "x"}, headers={"origin": ORIGIN}
        )
        assert answer.status_code in (404, 405)


def test_a_wording_is_looked_at_before_it_is_kept(web: Web) -> None:
    place = web.home / "papers" / "letter.md"
    for text, words in (
        ("{{ secrets }}", "asks for 'secrets': there is no such fact."),
        ("{% if %}", "cannot be filled"),
        ("{# nothing #}", "says nothing"),
    ):
        refused = web.post("/settings/paper/letter/keep", {"text": text}, status=409)
        assert words in text_of(refused.text)
        assert not place.exists()
    web.post("/settings/paper/letter/keep", {"text": "# {{ title }}\n\nDear {{ customer }}, we go on."})
    web.post("/cases/open", {"customer": "Fern"})
    assert "Dear Fern, we go on." in web.get("/case/1/letters")
    web.post("/settings/paper/letter/away")
    assert "we go on." not in web.get("/case/1/letters")
    assert place.with_name("letter.md.1").is_file()


def test_every_wording_of_ours_passes_its_own_check(web: Web) -> None:
    names = re.findall(r'href="/settings/paper/([a-z-]+)"', web.get("/settings"))
    assert len(names) > 8
    for name in names:
        page = web.get(f"/settings/paper/{name}")
        found = re.search(r"<textarea[^>]*>(.*?)</textarea>", page, re.DOTALL)
        assert found
        from html import unescape

        web.post(f"/settings/paper/{name}/keep", {"text": unescape(found[1])})


def test_the_relay_needs_the_key_that_only_the_account_can_read(web: Web) -> None:
    place = web.home / "settings" / "power.toml"
    assert "bench.key" in web.get("/settings/file/power")
    for key in ("", "a-guess", "\u00e9"):
        refused = web.post("/settings/file/power/keep", {"text": RELAY, "key": key}, status=422)
        assert "That is not the key of this bench" in refused.text
    assert not place.exists()
    key = bench_key(web.home)
    refused = web.post("/settings/file/power/keep", {"text": 'command = ["relay"]', "key": key}, status=409)
    assert "names a program without its whole path" in refused.text
    assert not place.exists()
    web.post("/settings/file/power/keep", {"text": RELAY, "key": key})
    assert place.read_text() == RELAY
    web.post("/settings/file/power/away", {"key": "a-guess"}, status=422)
    assert place.exists()
    web.post("/settings/file/power/away", {"key": key})
    assert not place.exists()


@pytest.fixture(params=["key", "other machines"])
def open_bench(tmp_path: Path, request: pytest.FixtureRequest) -> Iterator[Web]:
    """A bench that asks for its key, or that other machines reach."""
    if request.param == "key":
        home = tmp_path / "open"
        home.mkdir()
        rules = Rules(frozenset({HOST}), bench_key(home))
    else:
        home, rules = tmp_path / "open", Rules(frozenset({HOST, "192.0.2.7:8437"}))
    with web_on(home, rules) as found:
        if rules.key:
            found.client.post("/enter", data={"key": rules.key}, headers={"origin": ORIGIN})
        yield found


def test_over_an_open_bench_the_relay_is_shown_and_not_changed(open_bench: Web) -> None:
    (open_bench.home / "settings").mkdir(parents=True)
    place = open_bench.home / "settings" / "power.toml"
    place.write_text(RELAY)
    page = open_bench.get("/settings/file/power")
    assert "It is shown here and not changed." in page
    assert "/bin/true" in page
    assert "<textarea" not in page
    key = bench_key(open_bench.home)
    for way in ("keep", "away"):
        form = {"text": 'command = ["/bin/false"]', "key": key} if way == "keep" else {"key": key}
        refused = open_bench.post(f"/settings/file/power/{way}", form, status=422)
        assert "can be reached from other machines" in refused.text
    assert place.read_text() == RELAY
    refused = open_bench.post("/settings/relay/keep", {**RELAY_FORM, "key": key}, status=422)
    assert "can be reached from other machines" in refused.text
    assert place.read_text() == RELAY
    open_bench.post("/settings/file/shop/keep", {"text": SHOP})


def test_what_is_still_held(web: Web) -> None:
    assert "The shop holds no copies." in web.get("/settings/copies")
    web.post("/cases/open", {"customer": "Fern"})
    web.post("/case/1/letters/paper")
    assert "papers: 1 file" in web.get("/settings/copies")


def test_name_and_address_are_kept_by_a_form(web: Web) -> None:
    page = web.get("/settings/file/shop")
    said = {
        "name": 'The "mill" \\ <b>',
        "lines": "Lane 3\r\n\r\nTel. 01\r\n",
        "page": "Letter",
        "seen": seen_of(page),
    }
    kept = web.done("/settings/shop/keep", said)
    assert "The &#34;mill&#34; \\ &lt;b&gt;" in kept
    with web.bench() as bench:
        shop = shop_of(bench)
    assert (shop.name, shop.lines, shop.page) == ('The "mill" \\ <b>', ("Lane 3", "Tel. 01"), "Letter")
    shown = web.get("/settings/file/shop")
    assert "Lane 3\nTel. 01</textarea>" in shown
    web.post("/settings/shop/keep", said, status=409)
    web.post("/settings/shop/keep", {**said, "lines": "x\n" * 9, "seen": ""}, status=409)
    web.post("/settings/shop/keep", {**said, "page": "A3", "seen": ""}, status=422)
    assert (web.home / "settings" / "shop.toml").is_file()
    assert not (web.home / "settings" / "shop.toml.1").exists()


def test_days_are_kept_by_forms(web: Web) -> None:
    said = {"customer": "5", "part": "10", "machine": "2"}
    web.post("/settings/waiting/keep", said)
    web.post("/settings/waiting/keep", {**said, "part": "-1"}, status=422)
    web.post("/settings/waiting/keep", {"part": "1"}, status=422)
    assert (
        web.home / "settings" / "agenda.toml"
    ).read_text() == "[wait_days]\ncustomer = 5\npart = 10\nmachine = 2\n"
    web.post("/settings/keeping/keep", {"days": "45"})
    told = web.done("/settings/keeping/keep", {"days": "60"})
    assert "The earlier one is kept beside it as keeping.toml.1." in text_of(told)
    web.post("/settings/keeping/keep", {"days": "45"})
    assert "45" in web.get("/settings/file/keeping")
    assert (web.home / "settings" / "keeping.toml").read_text() == "days = 45\n"
    web.post("/settings/keeping/keep", {"days": "99999999"}, status=422)


def test_a_file_that_cannot_be_read_has_its_text_alone(web: Web) -> None:
    (web.home / "settings").mkdir()
    (web.home / "settings" / "keeping.toml").write_text("days = many")
    page = web.get("/settings/file/keeping")
    assert 'name="days"' not in page
    assert "days = many" in page


def prices_of(page: str) -> dict[str, object]:
    """What the form of the prices would send."""
    names = re.search(r'name="names" value="([^"]*)"', page)
    assert names
    shown = dict(re.findall(r'id="([a-z]+\.[a-z0-9-]+\.[a-z_]+)" name="value" value="([^"]*)"', page))
    general = "currency hourly_rate diagnosis shipping parts_markup valid_days tax_name rate"
    fields = {one: re.search(rf'name="{one}" value="([^"]*)"', page) for one in general.split()}
    free = re.findall(r'name="free" value="(\w+)" checked', page)
    assert list(shown) == names[1].split()
    return {
        **{one: found[1] for one, found in fields.items() if found},
        "included": "yes" if 'value="yes" id="set-included" checked' in page else "",
        "free": free,
        "names": names[1],
        "value": list(shown.values()),
        "seen": seen_of(page),
    }


def test_prices_are_kept_by_a_form_with_the_remarks_of_the_file(web: Web) -> None:
    place = web.home / "settings" / "prices.toml"
    page = web.get("/settings/file/prices")
    assert "Price per GB, EUR" in page
    assert "still as in our invented example" not in page
    form = prices_of(page)
    names = str(form["names"]).split()
    values = list(form["value"])  # type: ignore[call-overload]
    values[names.index("price.courier.amount")] = "25,5"
    web.post("/settings/prices/keep", {**form, "value": values[1:]}, status=422)
    assert not place.exists()
    web.done("/settings/prices/keep", {**form, "value": values, "hourly_rate": "70", "free": ["board"]})
    kept = place.read_text()
    assert 'amount = "25.50"' in kept
    assert 'no_data_no_fee = ["board"]  # stages that are free' in kept
    assert 'hourly_rate = "70.00"\n' in kept
    assert "still as in our invented example" in web.get("/settings/file/prices")
    assert web.get("/settings/file/prices").count("Still as in our invented example.") == 2, (
        "diagnosis, shipping"
    )
    assert re.search(r"but \d+ of \d+ are still those of an example", text_of(web.get("/settings")))
    stale = web.post("/settings/prices/keep", {**form, "value": values}, status=409)
    assert "changed by somebody else" in stale.text
    again = prices_of(web.get("/settings/file/prices"))
    values[names.index("price.copying.words")] = "<i>Copying</i>"
    values[names.index("price.copying.unit")] = "TB"
    web.done("/settings/prices/keep", {**again, "value": values})
    page = web.get("/settings/file/prices")
    assert 'value="&lt;i&gt;Copying&lt;/i&gt;"' in page
    assert "Price per TB, EUR" in page
    again, kept = prices_of(page), place.read_text()
    assert 'unit = "TB"' in kept
    values[names.index("price.courier.amount")] = "<b>"
    refused = web.post("/settings/prices/keep", {**again, "value": values}, status=422)
    assert "Insured courier: &#39;&lt;b&gt;&#39; is not a cost." in refused.text
    assert "Write it in digits, like 38 or 38.50." in refused.text  # as the hint of the list says
    assert place.read_text() == kept


def test_prices_are_added_and_taken_out(web: Web) -> None:
    said = {"words": "Disc <b>", "id": "disc", "stage": "media", "unit": "each", "amount": "3"}
    page = web.done("/settings/prices/price", said)
    assert 'value="Disc &lt;b&gt;"' in page
    seen = seen_of(page)
    web.done("/settings/prices/medium", {"words": "Card", "id": "card", "holds_gb": "32", "amount": "9"})
    web.post(
        "/settings/prices/medium",
        {"words": "Card", "id": "card", "holds_gb": "32", "amount": "9"},
        status=409,
    )
    web.post("/settings/prices/take-out", {"entry": "price.disc", "seen": seen}, status=409)
    web.done("/settings/prices/take-out", {"entry": "price.disc"})
    web.done("/settings/prices/take-out", {"entry": "work.new-fan"})
    page = web.get("/settings/file/prices")
    assert "Disc" not in page
    assert 'id="medium.card.holds_gb" name="value" value="32"' in page
    work = {"step": "new-fan", "words": "A fan", "stage": "board", "hours": "0.5"}
    page = web.done("/settings/prices/work", work)
    assert 'id="work.new-fan.hours" name="value" value="0.5"' in page


def test_prices_that_a_form_would_spoil_are_edited_as_text(web: Web) -> None:
    from mendbay.case.price_list import packaged_prices

    text = packaged_prices().replace('["board", "reading"', '["board", # why\n"reading"')
    web.post("/settings/file/prices/keep", {"text": text})
    page = web.get("/settings/file/prices")
    assert "So it is edited as text." in page
    assert 'name="names"' not in page
    assert "# why" in page


RELAY_FORM = {
    "command": "/bin/true\r\n\r\n--bay\r\n{bay} x",
    "seconds": "20",
    "ready_seconds": "30",
    "most": "5",
}


def test_the_relay_is_kept_by_a_form_for_whoever_has_the_key(web: Web) -> None:
    place = web.home / "settings" / "power.toml"
    key = bench_key(web.home)
    assert 'name="ready_seconds" value="30"' in web.get("/settings/file/power")
    for other in ("", "a-guess"):
        web.post("/settings/relay/keep", {**RELAY_FORM, "key": other}, status=422)
    web.post("/settings/relay/keep", {**RELAY_FORM, "command": "relay", "key": key}, status=409)
    assert not place.exists()
    web.post("/settings/relay/keep", {**RELAY_FORM, "key": key})
    assert (
        place.read_text()
        == 'command = ["/bin/true", "--bay", "{bay} x"]\nseconds = 20\nready_seconds = 30\nmost = 5\n'
    )
    place.write_text('command = ["/bin/true"] # ours\nseconds = 1.5\n')
    page = web.get("/settings/file/power")
    assert 'name="seconds" value="1.5"' in page
    said = {"command": "/bin/true\n{bay}", "seconds": "1.5", "ready_seconds": "30", "most": "5", "key": key}
    web.post("/settings/relay/keep", {**said, "seen": seen_of(page)})
    assert place.read_text() == 'command = ["/bin/true", "{bay}"] # ours\nseconds = 1.5\n'
    web.post("/settings/relay/keep", {**said, "seen": seen_of(page)}, status=409)


@pytest.mark.parametrize("word", ["", " x", "a\\nb", "\\u202e"])
def test_a_command_that_lines_cannot_say_is_edited_as_text(web: Web, word: str) -> None:
    (web.home / "settings").mkdir()
    (web.home / "settings" / "power.toml").write_text(f'command = ["/bin/true", "{word}"]')
    page = web.get("/settings/file/power")
    assert 'name="command"' not in page
    assert "So it is edited as text." in page


def test_remarks_of_a_file_outlive_its_form(web: Web) -> None:
    (web.home / "settings").mkdir()
    place = web.home / "settings" / "agenda.toml"
    place.write_text("# of Fern\n[wait_days] # ours\npart = 9 # slow post\n")
    web.post("/settings/waiting/keep", {"customer": "5", "part": "10", "machine": "2"})
    assert (
        place.read_text()
        == "# of Fern\n[wait_days] # ours\npart = 10 # slow post\ncustomer = 5\nmachine = 2\n"
    )
    shop = web.home / "settings" / "shop.toml"
    shop.write_text('lines = [ "Lane 3" ] # a remark\nname = "Mill"')
    web.post("/settings/shop/keep", {"name": "Mill 2", "lines": "Lane 3", "page": "A4"})
    assert shop.read_text() == 'lines = [ "Lane 3" ] # a remark\nname = "Mill 2"\npage = "A4"\n'
    keeping = web.home / "settings" / "keeping.toml"
    keeping.write_text("broken #")
    told = web.done("/settings/keeping/keep", {"days": "5"})
    assert "remarks of yours are in the earlier one only" in told
    assert keeping.read_text() == "days = 5\n"


def test_a_wording_stands_beside_what_it_may_ask_for(web: Web) -> None:
    page = web.get("/settings/paper/message-ready")
    assert '<dt class="code">copy_checked</dt>' in page
    assert "{# " not in page
    assert "Dear Fern Example, your files of case 0000 were copied out on" in text_of(page)
    other = web.get("/settings/paper/receipt")
    assert '<dt class="code">technician</dt>' in other
    assert "Came in as two-bay box, invented" in text_of(other)
    assert "invented case" not in web.get("/settings/paper/erasure")


def test_a_letter_is_tried_out_and_not_kept(web: Web) -> None:
    said = "Dear {{ customer }} <b>, quote {{ quote }}"
    tried = web.client.post(
        "/settings/paper/message-quote/try", data={"text": said}, headers={"origin": ORIGIN}
    )
    assert tried.status_code == 200
    assert "Dear Fern Example &lt;b&gt;, quote 1" in tried.text
    assert "Dear {{ customer }} &lt;b&gt;, quote {{ quote }}</textarea>" in tried.text
    assert not (web.home / "papers").exists()
    assert list((web.home / "cases").glob("*")) == []
    for wrong, words in (("{{ custmer }}", "no such fact"), ("{{ found[7].words }}", "cannot be filled")):
        refused = web.post("/settings/paper/letter/try", {"text": wrong}, status=409)
        assert words in refused.text
    web.get("/settings/paper/message-quote/try", status=303)
    web.post("/settings/paper/nothing/try", {"text": said}, status=404)
    web.post("/settings/paper/quote/try", {"text": "{{ secret }}"}, status=409)


def test_a_wording_that_cannot_be_filled_can_still_be_mended(web: Web) -> None:
    (web.home / "papers").mkdir()
    (web.home / "papers" / "letter.md").write_text("{% if %} <broken>")
    page = web.get("/settings/paper/letter")
    assert "cannot be filled" in page
    assert "&lt;broken&gt;" in page


@pytest.mark.parametrize("name", ["bill", "hand-over", "letter", "payment", "quote", "receipt", "trial"])
def test_a_paper_is_tried_out_as_it_is_printed(web: Web, name: str) -> None:
    said = f"# {{{{ title }}}}\n\nTried <b>\n\n{'word ' * 9000 if name == 'bill' else ''}"
    tried = web.client.post(f"/settings/paper/{name}/try", data={"text": said}, headers={"origin": ORIGIN})
    assert "Tried &lt;b&gt;" in tried.text
    pictures = [unescape(one) for one in re.findall(r'src="(/settings/tried/[^"]*)"', tried.text)]
    assert len(pictures) == (6 if name == "bill" else 1)
    assert ("It goes on" in tried.text) == (name == "bill")
    for one in pictures:
        shown = web.client.get(one)
        assert (shown.status_code, shown.headers["content-type"][:6]) == (200, "image/")
    assert not (web.home / "papers").exists()
    assert list((web.home / "cases").glob("*")) == []


def test_what_a_paper_says_is_shown_where_it_cannot_be_drawn(
    web: Web, monkeypatch: pytest.MonkeyPatch
) -> None:
    def missing(*said: object, **more: object) -> None:
        raise ToolMissing("No library for pictures is there.", "Install it.")

    monkeypatch.setattr("mendbay.inlets.preview.PreviewPool.page", missing)
    data = {"text": "For {{ customer }}"}
    tried = web.client.post("/settings/paper/quote/try", data=data, headers={"origin": ORIGIN})
    assert tried.status_code == 200
    assert "No library for pictures is there. Install it." in tried.text
    assert "For Fern Example" in tried.text
    message = web.client.post("/settings/paper/message-quote/try", data=data, headers={"origin": ORIGIN})
    assert "No library for pictures" not in message.text, "a message is never printed"
    web.get("/settings/tried/0123?page=1", status=404)


def test_name_and_address_are_tried_on_a_sheet(web: Web) -> None:
    sheets = []
    for page in ("A4", "Letter"):
        said = {"name": "The <b>mill", "lines": "3 Mill Lane", "page": page}
        tried = web.client.post("/settings/shop/try", data=said, headers={"origin": ORIGIN})
        assert tried.status_code == 200
        assert 'value="The &lt;b&gt;mill"' in tried.text
        sheets += re.findall(r'src="(/settings/tried/[^"]*)" width="(\d+)"', tried.text)
    assert len(set(sheets)) == 2, "each is another sheet"
    assert not (web.home / "settings" / "shop.toml").exists()
    web.get("/settings/shop/try", status=303)
    many = {"name": "x", "lines": "a\n" * 9, "page": "A4"}
    web.post("/settings/shop/try", many, status=409)

"""The commands of money as a technician types them: documented answers, 80 columns, foreign currencies."""

from __future__ import annotations

from pathlib import Path

import pytest

from mendbay.case.price_list import packaged_prices
from support.answers import Run, answer, refused, text_of
from support.tiny_font import tiny_font

INVENTED = "The prices are those of an example: they are invented."


@pytest.fixture(autouse=True)
def narrow(monkeypatch: pytest.MonkeyPatch) -> None:
    """A terminal of 80 columns."""
    monkeypatch.setenv("COLUMNS", "80")


def test_from_quote_to_receipt_with_documented_answers(run: Run, tmp_path: Path) -> None:
    run("triage", "tell", "1", "lights", "none")
    copy = tmp_path / "quote.pdf"
    made = answer(run, "case", "quote", "1", "--media", "500", "--ship", "--pdf", str(copy))
    assert copy.read_bytes().startswith(b"%PDF")
    assert made["paper"] == str(copy)
    totals = made["quote"]["totals"]
    assert 0 < totals["low"]["gross"] <= totals["likely"]["gross"] <= totals["high"]["gross"]
    assert totals["nothing"]["gross"] <= totals["high"]["gross"]
    assert answer(run, "case", "payments", "1")["accepted_quote"] is None
    assert answer(run, "case", "accept", "1", "1", "--by", "phone")["state"] == "accepted"
    assert [one["state"] for one in answer(run, "case", "quotes", "1")] == ["accepted"]
    paid = answer(run, "case", "pay", "1", "50", "--how", "cash")
    assert (paid["payment"]["amount"], paid["due"]) == (5000, None)
    billed = answer(run, "case", "bill", "1", "--done", "new-adapter=38")
    assert billed["bill"]["total"]["gross"] == 4500 + 3800 + 6400 + 950
    assert billed["due"] == billed["bill"]["total"]["gross"] - 5000
    assert answer(run, "case", "pay", "1", "0.5", "--how", "card", "--back")["paid"] == 4950
    assert answer(run, "case", "payments", "1")["taken_back"] == []
    assert answer(run, "case", "unpay", "1", "2", "a slip")["paid"] == 5000
    (gone,) = answer(run, "case", "payments", "1")["taken_back"]
    assert (gone["number"], gone["amount"], gone["reason"]) == (2, -50, "a slip")
    assert "Taken back: payment 2" in text_of(run, "case", "payments", "1")
    custody = answer(run, "case", "show", "1")["custody"]
    assert custody["holds"]
    said = " ".join(one["what"] for one in custody["entries"])
    assert "quote 1 accepted by the customer by telephone" in said
    assert "payment 1 received in cash" in said
    assert "Quillmere" not in said


def test_words_fit_a_terminal_and_say_whose_prices(run: Run) -> None:
    shown = text_of(run, "case", "quote", "1", "--line", "copying=12.5", "--line", "hour=0.75")
    assert "invented" in shown
    assert "12.5 GB" in " ".join(shown.split())
    assert "odds are those of any case" in " ".join(shown.split())
    assert "open" in text_of(run, "case", "quotes", "1")
    text_of(run, "case", "accept", "1", "1", "--by", "in-person")
    assert "There is no bill yet" in text_of(run, "case", "payments", "1")
    assert "Nothing is due" not in text_of(run, "case", "bill", "1")


def test_nothing_is_put_down_where_the_copy_cannot_be_written(run: Run, tmp_path: Path) -> None:
    there = tmp_path / "there.pdf"
    there.write_bytes(b"mine")
    dangling = tmp_path / "dangling.pdf"
    dangling.symlink_to(tmp_path / "nowhere")
    answer(run, "case", "quote", "1", "--no-odds", "--line", "hour=1")
    answer(run, "case", "accept", "1", "1", "--by", "phone")
    before = answer(run, "case", "show", "1")["custody"]
    for words in (
        ("quote", "1", "--no-odds", "--line", "hour=1"),
        ("bill", "1"),
        ("pay", "1", "5", "--how", "cash"),
    ):
        for path in (there, dangling, tmp_path / "no" / "folder.pdf", tmp_path / ("x" * 300)):
            said = refused(run, 2, "case", *words, "--pdf", str(path))
            assert any(one in said for one in ("already exists", "There is no folder", "name too long"))
    assert answer(run, "case", "show", "1")["custody"] == before
    assert there.read_bytes() == b"mine"


def test_a_copy_that_fails_after_all_is_told_with_what_is_recorded(run: Run) -> None:
    answer(run, "case", "quote", "1", "--no-odds", "--line", "hour=1")
    answer(run, "case", "accept", "1", "1", "--by", "phone")
    said = refused(run, 20, "case", "pay", "1", "5", "--how", "cash", "--pdf", "/proc/receipt.pdf")
    flat = " ".join(said.split())
    assert "Payment 1 of case 1 is recorded; only the copy failed" in flat
    assert "Do not repeat the command" in flat
    assert "payment-1.pdf" in flat
    assert answer(run, "case", "payments", "1")["paid"] == 500


def test_a_declined_quote_and_a_deposit_on_the_command_line(run: Run) -> None:
    answer(run, "case", "quote", "1", "--no-odds", "--line", "swap-board", "--line", "hour=1")
    assert answer(run, "case", "pay", "1", "10", "--how", "cash")["paid"] == 1000
    assert "A deposit for quote 1. Paid so far: 10.00 EUR." in text_of(run, "case", "payments", "1")
    assert "case bill 1" in text_of(run, "case", "accept", "1", "1", "--by", "writing", "--decline")
    assert "45.00 EUR are due in any case" in " ".join(text_of(run, "case", "payments", "1").split())
    billed = answer(run, "case", "bill", "1")
    assert (billed["accepted_quote"], billed["due"]) == (None, 3500)
    assert "Still to be paid: 35.00 EUR" in text_of(run, "case", "payments", "1")


def test_what_is_picked_and_not_billed_is_told(run: Run) -> None:
    answer(run, "case", "quote", "1", "--no-odds", "--line", "swap-board", "--line", "hour=1")
    word = answer(run, "case", "accept", "1", "1", "--by", "in-person")["word"]
    assert word["by"] == "in person"
    said = text_of(run, "case", "bill", "1", "--not-done", "hour:2")
    assert "not on the bill" in said
    assert "swap-board:picked-1: 170.00 to 230.00" in said
    assert "hour:2" not in said
    assert "not on the bill" not in text_of(run, "case", "bill", "1", "--done", "swap-board:picked-1=200")


def test_one_quote_counts_at_a_time_and_the_answer_says_which(run: Run) -> None:
    for _ in range(3):
        answer(run, "case", "quote", "1", "--no-odds", "--line", "hour=1")
    said = " ".join(refused(run, 2, "case", "accept", "1", "1", "--by", "phone").split())
    assert "quote 3 was made after it" in said
    assert "--although-superseded" in said
    assert "Quote 3 still waits" in text_of(run, "case", "accept", "1", "2", "--by", "phone", "--decline")
    meant = ("--by", "phone", "--although-superseded", "it was what they had in hand")
    text_of(run, "case", "accept", "1", "1", *meant)
    said = text_of(run, "case", "accept", "1", "3", "--by", "phone", "--decline")
    assert "Quote 1 stays accepted" in said
    assert "examination" not in said
    said = " ".join(text_of(run, "case", "accept", "1", "3", "--by", "phone").split())
    assert "It takes the place of quote 1." in said
    assert "examination" in text_of(run, "case", "accept", "1", "3", "--by", "phone", "--decline")


def test_an_amount_with_a_sign_is_refused_in_a_sentence(run: Run) -> None:
    for amount in ("-500", "-5.50", "-500EUR"):
        said = " ".join(refused(run, 2, "case", "pay", "1", amount, "--how", "cash").split())
        assert "is below 0" in said
        assert "--back" in said


def test_a_line_is_done_once(run: Run) -> None:
    said = refused(run, 2, "case", "bill", "1", "--done", "hour=1", "--done", "hour=2")
    assert "more than once" in said


def test_signs_that_no_font_has_are_told_once(run: Run, tmp_path: Path) -> None:
    assert run("case", "open", "株 Quillmere 株").returncode == 0
    made = run("case", "quote", "2", "--no-odds", "--line", "hour=1")
    said = " ".join(made.stderr.split())
    assert said.count("株") == 1
    assert "株 (U+682A)" in said
    assert "settings/fonts" in said
    assert "Unicode number" not in run("case", "quote", "1", "--no-odds", "--line", "hour=1").stderr
    assert run("--json", "case", "quote", "2", "--no-odds", "--line", "hour=1").stderr == ""
    fonts = tmp_path / "home" / "settings" / "fonts"
    fonts.mkdir(parents=True)
    (fonts / "one.ttf").write_bytes(tiny_font("株"))
    assert run("case", "quote", "2", "--no-odds", "--line", "hour=1").stderr == ""


def test_prices_are_shown_and_copied(run: Run, tmp_path: Path) -> None:
    assert answer(run, "bench", "prices")["own"] is False
    assert "THE PRICES OF AN EXAMPLE" in text_of(run, "bench", "prices")
    path = Path(answer(run, "bench", "prices", "--copy")["path"])
    assert path.read_text() == packaged_prices()
    path.write_text(packaged_prices().replace("EVERY PRICE", "Every price").replace("30\n", "14\n"))
    assert answer(run, "bench", "prices")["own"] is False, "whatever nobody has priced is invented"
    shown = text_of(run, "bench", "prices")
    assert "THE PRICES OF AN EXAMPLE" in shown
    assert "--copy" not in shown
    quoted = answer(run, "case", "quote", "1", "--no-odds", "--line", "hour=1")["quote"]
    assert (quoted["own_prices"], quoted["remarks"]) == (False, [INVENTED])
    path.write_text(packaged_prices().replace('"68.00"', '"71.00"'))
    assert answer(run, "bench", "prices")["own"] is True
    assert "Your own prices." in text_of(run, "bench", "prices")
    quoted = answer(run, "case", "quote", "1", "--no-odds", "--line", "hour=1")["quote"]
    still = "Prices that are still those of an example, and invented: Diagnosis."
    assert (quoted["own_prices"], quoted["remarks"]) == (True, [still]), "the hour alone is the shop's"
    path.write_text(path.read_text().replace('"45.00"', '"44.00"'))
    quoted = answer(run, "case", "quote", "1", "--no-odds", "--line", "hour=1")["quote"]
    assert quoted["remarks"] == []
    invented = answer(run, "bench", "prices")["invented"]
    assert "shipping" in invented
    assert not {"hour", "diagnosis"} & set(invented)
    assert "Still as in our invented example: clean-casing" in text_of(run, "bench", "prices")
    path.write_text(packaged_prices().replace('currency = "EUR"', 'currency = "JPY"'))
    assert "no amount in JPY" in refused(run, 52, "bench", "prices")


def test_a_file_of_the_shop_is_never_copied_over(run: Run) -> None:
    for words in (("prices", "--copy"), ("papers", "--copy", "letter")):
        path = Path(answer(run, "bench", *words)["path"])
        path.write_text("# my own words\n")
        said = " ".join(refused(run, 2, "bench", *words).split())
        assert "is there already" in said
        assert "move it away" in said
        assert path.name in said
        assert [(one.name, one.read_text()) for one in path.parent.iterdir()] == [
            (path.name, "# my own words\n")
        ]
        path.rename(path.with_suffix(".mine"))
        assert answer(run, "bench", *words)["path"] == str(path)


@pytest.mark.parametrize(
    ("currency", "amount", "shown"), [("JPY", "4500", "4 500"), ("KWD", "4.500", "4.500")]
)
def test_currencies_with_other_decimals(
    run: Run, tmp_path: Path, currency: str, amount: str, shown: str
) -> None:
    folder = tmp_path / "home" / "settings"
    folder.mkdir(exist_ok=True)
    zero = amount.replace("4", "0").replace("5", "0") if "." in amount else "0"
    (folder / "prices.toml").write_text(
        f'currency = "{currency}"\nhourly_rate = "{amount}"\ndiagnosis = "{amount}"\nshipping = "{zero}"\n'
        'parts_markup = "0"\nvalid_days = 14\ntax = { name = "tax", rate = "10" }\n'
    )
    made = answer(run, "case", "quote", "1", "--no-odds", "--line", "hour=0.333")["quote"]
    assert made["totals"]["high"]["gross"] == 4500 + 1499 + 600  # a third of an hour 1498.5, tax 599.9
    text = text_of(run, "case", "quote", "1", "--no-odds", "--line", "hour=0.333")
    assert shown in text.replace("\u2009", " ")


@pytest.mark.parametrize(
    ("words", "said"),
    [
        (("quote", "1", "--line", "gold"), "The price list has no 'gold'"),
        (("quote", "1", "--line", "copying=-1"), "no quantity"),
        (("quote", "1", "--line", "copying=0"), "no quantity"),
        (("quote", "1", "--media", "99999"), "No medium of the price list holds 99999 GB"),
        (("quote", "1", "--media", "-5"), "cannot be handed back"),
        (("quote", "1", "--no-odds"), "Nothing is to be quoted"),
        (("accept", "1", "7", "--by", "phone"), "no quote 7"),
        (("bill", "1"), "No quote of case 1 is accepted"),
        (("pay", "1", "5", "--how", "cash"), "No quote of case 1 is accepted"),
        (("unpay", "1", "1", "a slip"), "no payment 1"),
    ],
)
def test_what_cannot_be_is_refused_with_the_next_step(run: Run, words: tuple[str, ...], said: str) -> None:
    assert said in refused(run, 2, "case", *words)


def test_a_bill_is_looked_at_with_what_is_on_record_before_it_is_made(run: Run) -> None:
    answer(run, "donor", "add", "board", "--board-number", "TB-4471", "--cost", "38.00 EUR")
    answer(run, "case", "quote", "1", "--no-odds", "--line", "swap-board", "--line", "mend-supply")
    answer(run, "case", "accept", "1", "1", "--by", "phone")
    answer(run, "donor", "used", "1", "1", "1", "worked", "--rom", "moved")
    said = " ".join(refused(run, 2, "case", "bill", "1").split())
    assert "On record as done and not on the bill: “Donor board fitted, ROM moved to it”" in said
    looked = answer(run, "case", "bill", "1", "--look", "--done", "mend-supply:picked-2=61")
    assert looked["paper"] is None
    assert looked["on_record"]["unbilled"] == ["swap-board:1"]
    assert looked["on_record"]["unshown"] == ["mend-supply:picked-2"]
    (done,) = looked["on_record"]["done"]
    assert done["lines"] == ["swap-board:picked-1"]
    shown = " ".join(text_of(run, "case", "bill", "1", "--look").split())
    assert "Nothing is made yet" in shown
    assert "swap-board:picked-1: “Donor board fitted, ROM moved to it” (the board of item 1 worked" in shown
    assert answer(run, "case", "payments", "1")["bill"] is None, "nothing is made by looking"
    left = answer(run, "case", "bill", "1", "--not-done", "swap-board:picked-1")
    assert left["on_record"]["unbilled"] == ["swap-board:1"]
    billed = answer(run, "case", "bill", "1", "--done", "swap-board:picked-1=200")
    assert billed["on_record"]["unbilled"] == []
    assert billed["bill"]["total"]["gross"] == 4500 + 20000

"""What the customer is told, as text to copy and as PDF, through the browser."""

from __future__ import annotations

import re
from html import unescape

from mendbay.core.note import NoteKind
from mendbay.faces.web.views.letters import flowing
from mendbay.jobs.letters import letter_words
from support.web_client import Web, text_of


def test_looking_notes_nothing_and_making_does(web: Web) -> None:
    web.post("/cases/open", {"customer": "<b>Fern</b> & Fire"})
    page = web.get("/case/1/letters")
    assert "Dear &lt;b&gt;Fern&lt;/b&gt; &amp; Fire" in page
    with web.bench() as bench:
        assert not list(bench.notes.of(NoteKind.LETTER, 1))
    made = web.done("/case/1/letters/message", {"which": "status"})
    assert "Where your job stands (case 0001)" in made
    assert "&lt;b&gt;Fern" in made
    with web.bench() as bench:
        assert [one.subject for one in bench.notes.of(NoteKind.LETTER, 1)] == ["message status"]


def test_loading_the_made_text_again_makes_no_other(web: Web) -> None:
    web.post("/cases/open", {"customer": "Fern"})
    there = web.post("/case/1/letters/message", {"which": "letter"}).headers["location"]
    assert web.get(there).count("readonly") == web.get(there).count("readonly") == 2
    with web.bench() as bench:
        assert len(list(bench.notes.of(NoteKind.LETTER, 1))) == 1


def test_a_message_of_nothing_is_refused(web: Web) -> None:
    web.post("/cases/open", {"customer": "Fern"})
    refused = web.post("/case/1/letters/message", {"which": "quote"}, status=422)
    assert "has no quote that waits for an answer" in refused.text
    assert '<a href="/case/1/money">' in refused.text
    web.post("/case/1/letters/message", {"which": "poem"}, status=422)


def test_the_letter_as_pdf_is_kept_and_given_out(web: Web) -> None:
    web.post("/cases/open", {"customer": "Fern"})
    page = web.done("/case/1/letters/paper")
    assert "The letter is made and kept with the case" in text_of(page)
    with web.bench() as bench:
        (entry,) = [one for one in bench.ledger.custody(1) if one.what.startswith("letter")]
    name = entry.item.partition(",")[0].removeprefix("papers/")
    answer = web.client.get(f"/case/1/papers/{name}")
    assert answer.content.startswith(b"%PDF")
    assert f"/case/1/papers/{name}" in page


def test_a_letter_is_folded_by_the_screen_that_shows_it(web: Web) -> None:
    web.post("/cases/open", {"customer": "Fern", "box": "a box"})
    text = unescape(re.findall(r'<pre class="text">(.*?)</pre>', web.get("/case/1/letters"), re.DOTALL)[0])
    with web.bench() as bench:
        folded = [one for one in letter_words(bench, 1).splitlines() if not one or one.strip("=-")]
    assert text.split() == " ".join(folded).split()
    parts = "\n".join(folded).split("\n\n")
    assert [" ".join(one.split()) for one in text.split("\n\n")] == [" ".join(one.split()) for one in parts]
    long = [one for one in parts if one.count("\n") > 1 and not one.startswith("-")]
    assert long
    assert all(" ".join(one.split()) in text for one in long)
    assert flowing("- one\n- two\n\nFern Lane 1\n01234 Elm") == "- one\n- two\n\nFern Lane 1\n01234 Elm"

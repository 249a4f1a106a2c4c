"""The page of take-in: complete, closed to the outside, safe with any text, and working in a browser."""

from __future__ import annotations

import base64
import html
import json
import os
import re
import shutil
import subprocess
from dataclasses import replace
from hashlib import sha256
from html.parser import HTMLParser
from importlib.resources import files
from pathlib import Path

import pytest

from mendbay.case.consents import packaged_risks
from mendbay.case.take_in_form import Option, Type
from mendbay.jobs.take_in_answers import Given, read_answer_file
from mendbay.jobs.take_in_page import TakeInPage, page_for_new
from mendbay.outlets.take_in_page import take_in_page

LOADING = {"src", "srcset", "action", "formaction", "background", "poster", "style", "srcdoc"}
"""Attributes that load something or that the policy would refuse."""


class Seen(HTMLParser):
    """Every element with its attributes, and the text of style and script."""

    def __init__(self, text: str) -> None:
        super().__init__()
        self.elements: list[tuple[str, dict[str, str | None]]] = []
        self.inside: dict[str, str] = {}
        self.text = ""
        self._last = ""
        self.feed(text)
        self.close()

    def handle_starttag(self, tag: str, attrs: list[tuple[str, str | None]]) -> None:
        self.elements.append((tag, dict(attrs)))
        self._last = tag

    def handle_data(self, data: str) -> None:
        if self.cdata_elem:
            self.inside[self._last] = self.inside.get(self._last, "") + data
        else:
            self.text += data

    def all(self, tag: str) -> list[dict[str, str | None]]:
        return [attributes for name, attributes in self.elements if name == tag]


def test_every_question_stands_with_its_words_and_what_can_be_picked() -> None:
    page = page_for_new()
    seen = Seen(take_in_page(page))
    asked = [(a["data-question"], a["data-bay"]) for _, a in seen.elements if "data-question" in a]
    assert sorted(asked) == sorted(one.key for one in page.questions)
    first = sum(one.essential for one in page.questions)
    essential = {one.key for one in page.questions if one.essential}
    assert set(asked[:first]) == essential, "the essentials come first"
    for one in page.questions:
        assert (f"Bay {one.bay}: " if one.bay else "") + one.words in seen.text
        picked = {a["value"] for a in seen.all("input") if a.get("name") == f"{one.id}/{one.bay}"}
        none = set() if one.needed else {"not known"}
        assert picked == {each.id for each in one.options} | none
    assert all(risk.risk in seen.text for risk in packaged_risks().values())
    assert "No password is asked for here." in seen.text


def test_every_field_has_a_label_and_a_name_of_its_own() -> None:
    seen = Seen(take_in_page(page_for_new()))
    fields = [*seen.all("input"), *seen.all("textarea")]
    labelled = [one["for"] for one in seen.all("label")]
    names = [attributes["id"] for _, attributes in seen.elements if "id" in attributes]
    assert len(names) == len(set(names))
    assert sorted(map(str, labelled)) == sorted(str(one["id"]) for one in fields)
    described = {a["aria-describedby"] for _, a in seen.elements if "aria-describedby" in a}
    assert described <= set(names)


def test_nothing_comes_from_outside_and_the_policy_names_style_and_script() -> None:
    text = take_in_page(replace(page_for_new(), case=7))
    seen = Seen(text)
    policy = next(
        one["content"] for one in seen.all("meta") if one.get("http-equiv") == "Content-Security-Policy"
    )
    assert policy is not None
    rules = dict(one.split(" ", 1) for one in policy.split("; "))
    assert rules["default-src"] == rules["base-uri"] == rules["form-action"] == "'none'"
    for name, rule in (("style", "style-src"), ("script", "script-src")):
        assert len(seen.all(name)) == 1
        digest = base64.b64encode(sha256(seen.inside[name].encode()).digest()).decode()
        assert rules[rule] == f"'sha256-{digest}'"
    for tag, attributes in seen.elements:
        assert tag not in {"link", "img", "iframe", "object", "embed", "base"}
        assert not LOADING & set(attributes), attributes
        assert not any(name.startswith("on") for name in attributes)
        assert (attributes.get("href") or "#").startswith("#")
    assert not re.search(r"https?:|//[a-z]|url\(|@import|fetch\(|XMLHttp|WebSocket|innerHTML|eval\(", text)
    assert 'data-file="answers-0007.json"' in text


HOSTILE = "</legend></script><script>alert(1)</script>\"'><img src=x onerror=alert(1)>{{ 7 * 7 }} & é"


def test_a_hostile_text_of_the_form_stays_a_text() -> None:
    plain = page_for_new()
    hostile = tuple(
        replace(
            one,
            words=HOSTILE,
            help=HOSTILE,
            read_first=HOSTILE if one.type is Type.CONSENT else "",
            options=tuple(Option(HOSTILE, HOSTILE) for _ in one.options),
        )
        for one in plain.questions
    )
    seen, safe = Seen(take_in_page(TakeInPage(None, hostile))), Seen(take_in_page(plain))
    assert seen.inside == safe.inside
    assert not seen.all("img")
    assert len(seen.all("script")) == 1
    assert HOSTILE in seen.text
    assert HOSTILE in {one.get("value") for one in seen.all("input")}


def test_colours_of_text_stand_out_from_the_ground() -> None:
    """WCAG 2.2, success criterion 1.4.3: a ratio of 4.5, by its definition of relative luminance."""
    style = (files("mendbay.outlets") / "templates" / "take_in_page.css").read_text()

    def luminance(colour: str) -> float:
        parts = [int(colour[at : at + 2], 16) / 255 for at in (0, 2, 4)]
        red, green, blue = (p / 12.92 if p <= 0.04045 else ((p + 0.055) / 1.055) ** 2.4 for p in parts)
        return 0.2126 * red + 0.7152 * green + 0.0722 * blue

    themes = [dict(re.findall(r"--(\w+): #([0-9a-f]{6})", one)) for one in style.split("@media")[:2]]
    assert len(themes) == 2
    for theme in themes:
        for name in ("ink", "teal", "rust", "slate"):
            light, dark = sorted((luminance(theme[name]), luminance(theme["ground"])), reverse=True)
            assert (light + 0.05) / (dark + 0.05) >= 4.5, name


# ------------------------------------------------------------------------- in a browser

FILL = """
const block = (question, bay) => document.querySelector(`[data-question="${question}"][data-bay="${bay}"]`);
const write = (question, text) => {
  const field = block(question, "").querySelector("[data-typed]");
  field.value = text;
  field.dispatchEvent(new Event("input", { bubbles: true }));
};
const pick = (question, bay, value) =>
  block(question, bay).querySelector(`[data-pick][value="${value}"]`).click();
write("customer", " Quillmere Pottery ");
write("story", 'two lines\\nand "quotes" <\\/script> é');
write("due", "2026-12-24");
write("worth", "much");
write("contact", "555 0100");
pick("contact", "", "not known");
pick("sound", "2", "clicks");
pick("kind", "", "two-bay-box");
pick("enquiry", "", "not known");
pick("condition", "", "not known");
pick("condition", "", "rattles");
pick("condition", "", "dented");
pick("login", "", "not known");
block("login", "").querySelector("[data-clear]").click();
document.getElementById("save-button").click();
const out = document.createElement("pre");
out.id = "out";
out.textContent = document.getElementById("saved-text").value;
document.body.append(out);
"""


def dumped(folder: Path, text: str) -> str:
    """A page as a browser has it after its scripts ran.

    Skips where there is no Chromium, saying so.
    """
    browser = shutil.which("chromium")
    if browser is None:
        pytest.skip("There is no chromium here: the page of take-in was not tried in a browser.")
    page = folder / "page.html"
    page.write_text(text, encoding="utf-8")
    words = [browser, "--headless", "--disable-gpu", f"--user-data-dir={folder / 'profile'}", "--dump-dom"]
    words += ["--no-sandbox"] * (os.geteuid() == 0)  # it refuses to start as root with one
    done = subprocess.run([*words, page.as_uri()], capture_output=True, text=True, timeout=120, check=True)
    return done.stdout


def test_a_browser_runs_the_page_under_its_policy(tmp_path: Path) -> None:
    page = page_for_new()
    essential = sum(one.essential for one in page.questions)
    assert f"0 of {essential} answered" in dumped(tmp_path, take_in_page(page))


def test_a_browser_gives_the_answers_back(tmp_path: Path) -> None:
    digest = base64.b64encode(sha256(FILL.encode()).digest()).decode()
    text = take_in_page(page_for_new()).replace("script-src ", f"script-src 'sha256-{digest}' ")
    found = dumped(tmp_path, text.replace("</body>", f"<script>{FILL}</script></body>"))
    out = re.search(r'<pre id="out">(.*?)</pre>', found, re.DOTALL)
    assert out is not None, found[-2000:]
    saved = html.unescape(out[1])
    assert json.loads(saved)["case"] is None
    file = read_answer_file(saved.encode())
    assert {one.key: one for one in file.answers} == {
        one.key: one
        for one in (
            Given("customer", "", "Quillmere Pottery"),
            Given("kind", "", "two-bay-box"),
            Given("contact", "", "not known"),
            Given("condition", "", "dented, rattles"),
            Given("story", "", 'two lines\nand "quotes" </script> é'),
            Given("sound", "2", "clicks"),
            Given("due", "", "2026-12-24"),
            Given("worth", "", "much"),
        )
    }
    assert "8 answers put into answers-new.json" in found
    assert "(cannot be taken as it is)" in found, "a worth that is no number is told"

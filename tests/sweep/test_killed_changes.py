"""A server killed in the middle of a change that touches files and the ledger, at any step of it."""

from __future__ import annotations

import json
from hashlib import sha256
from io import BytesIO
from pathlib import Path
from typing import Any

import pytest
from PIL import Image

from mendbay.jobs.case_pictures import keep_pictures
from mendbay.ledger.database import Ledger
from mendbay.wiring import LaterStationery, open_bench
from support.killed_changes import (
    Change,
    do,
    drawn,
    files_of,
    fresh,
    look_and_do_again,
    standing_of,
    warm,
)
from support.kills import killed
from support.lively_home import READ, YOUNG, lively_home
from support.web_client import Web

EACH = 3
"""Steps of each change before which it is killed, beside its last one: all of them would take minutes. Which
are tried is the same in every run and differs from change to change, as most keep and note alike."""
PDF = b"%PDF-1.7\nsigned"
DUMP = bytes(range(256)) * 64
SHOP = 'name = "The mill"\n'


def picture(size: int) -> bytes:
    out = BytesIO()
    Image.new("RGB", (size, 40), "grey").save(out, "JPEG")
    return out.getvalue()


KEPT = f"001-{sha256(picture(40)).hexdigest()[:8]}.jpg"


def a_home(home: Path) -> Path:
    """With a picture of a case, to be taken back."""
    lively_home(home)
    with open_bench(home) as bench:
        (home.parent / "back.jpg").write_bytes(picture(40))
        ((kept,), _) = keep_pictures(bench, YOUNG, [home.parent / "back.jpg"])
        assert kept.kept.path.endswith(KEPT)
    return home


def looked_at_list(web: Web) -> str:
    text = "kind,board number,shelf\n" + "".join(f"board,TB-{n},s1\n" for n in range(30))
    answer = web.post("/stock/list/look", files={"list": ("list.csv", text.encode(), "text/csv")})
    return f"{answer.headers['location']}/take"


young, read = f"/case/{YOUNG}", f"/case/{READ}"
CHANGES = [
    Change("open a case", "/cases/open", {"customer": "Fern"}, page="/cases"),
    Change(
        "pictures of the case",
        f"{young}/pictures/add",
        {"of": "front"},
        [("pictures", ("front.jpg", picture(50)))],
        page=f"{young}/pictures",
    ),
    Change(
        "picture taken back",
        f"{young}/pictures/take-back",
        {"picture": KEPT, "reason": "another box"},
        page=f"{young}/pictures",
    ),
    Change(
        "dumps",
        f"{young}/board/keep-dumps",
        {"bay": "1", "chip": "donor"},
        [("dumps", (f"{n}.bin", DUMP)) for n in range(2)],
        page=f"{young}/board/reads?bay=1&chip=donor",
    ),
    Change(
        "a word", f"{young}/take-in/consent", {"consent": "power-on", "word": "no"}, page=f"{young}/take-in"
    ),
    Change(
        "whose data it is",
        f"{young}/take-in/authority",
        {"whose": "executor"},
        {"document": ("will.pdf", PDF, "application/pdf")},
        page=f"{young}/take-in",
    ),
    Change(
        "stock list",
        "",
        {"then": "take", "alike": "ask", "column": ["3=location"]},
        before=looked_at_list,
        page="/stock",
    ),
    Change("a letter", f"{young}/letters/paper", page=f"{young}/letters"),
    Change(
        "a quote",
        f"{young}/money/quote",
        {"line_1": "hour", "quantity_1": "2", "no_odds": "yes"},
        page=f"{young}/money",
    ),
    Change(
        "receipt at the counter",
        "/case/3/things/receive",
        {"item": ["0003-01"], "place": "B4", "person": "Ada"},
        page="/case/3/things",
    ),
    Change(
        "signed paper",
        f"{young}/things/signed",
        {"number": "1"},
        {"scan": ("b.pdf", PDF, "application/pdf")},
        page=f"{young}/things",
    ),
    Change("receipt of the hand-back", f"{read}/hand-back/receipt", page=f"{read}/hand-back"),
    Change("kept until", f"{young}/hand-back/keep", {"until": "2999-01-01"}, page=f"{young}/hand-back"),
    Change("closed", f"{read}/closing/close", {"broken": "nothing", "end": "given back", "data": "all"}),
    Change(
        "forgotten",
        "/case/2/closing/forget/now",
        {"reason": "asked for", "typed": "2"},
        page="/cases",
    ),
    Change("shop", "/settings/file/shop/keep", {"text": SHOP}, page="/settings/file/shop"),
]


DONE_ALREADY = (303, 404, 409, 410, 422)
"""What asking again may be answered once it was done: done again, or told why not."""


def steps_to_kill_at(change: Change, steps: int) -> list[int]:
    """Spread over all of them, beginning elsewhere for each change, and the last one."""
    first = CHANGES.index(change)
    return sorted({(first + one * steps // EACH) % steps for one in range(EACH)} | {steps - 1})


def told_by(told: Path) -> Any:
    return json.loads(told.read_text())


@pytest.mark.slow
@pytest.mark.parametrize("change", CHANGES, ids=lambda one: one.name)
def test_it_is_done_or_not_and_can_be_done_again(
    change: Change, tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    monkeypatch.setenv("MENDBAY_WHO", "Kim")
    made, home, told = a_home(tmp_path / "made"), tmp_path / "home", tmp_path / "told"
    # only now: what the lively home is made of is kept for every test of this process
    monkeypatch.setattr(LaterStationery, "pdf", drawn)
    fresh(made, home)
    warm(home, change)
    fresh(made, home)
    before, there = standing_of(home), files_of(home)
    assert not killed(lambda: do(home, change, told, None))
    undisturbed = told_by(told)
    assert undisturbed["status"] == 303
    after, whole = standing_of(home), files_of(home)
    assert (before, there) != (after, whole)
    for step in steps_to_kill_at(change, undisturbed["steps"]):
        fresh(made, home)
        assert killed(lambda step=step: do(home, change, told, step))
        with Ledger(home / "ledger.sqlite3") as ledger:
            ledger.check()
        assert not killed(lambda: look_and_do_again(home, change, told))
        found = told_by(told)
        was_done = found["standing"] == after and (before != after or found["files"] == whole)
        case = f"killed before step {step} of {undisturbed['steps']}: {found['standing']}, {found['again']}"
        assert was_done or found["standing"] == before, case
        strange = found["files"].items() - there.items() - whole.items()
        # a setting that is half written lies beside its place, and goes with the next that is kept
        assert not {name for name, _ in strange if not name.endswith(".toml.new")}, f"{case}: {strange}"
        assert found["again"] in (DONE_ALREADY if was_done else (303,)), case
        assert found["seen"] == found["after"] == 200, case
        if not was_done:
            assert (standing_of(home), files_of(home)) == (after, whole), case
        with Ledger(home / "ledger.sqlite3") as ledger:
            ledger.check()

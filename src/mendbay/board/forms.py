"""The number forms in use: those that come with Mendbay and the shop's own, as one list.

Forms and captions are data: TOML files (`docs/formats/number-forms.md`). Every file is checked in full when
it is loaded; its own examples and counter-examples are part of that check.
"""

from __future__ import annotations

from collections.abc import Iterable, Sequence
from functools import cache
from importlib import resources

from mendbay.board.form_file import FormText, read_form_file
from mendbay.board.number_form import Caption, Form, Forms


@cache
def packaged_texts() -> tuple[FormText, ...]:
    """The form files that come with Mendbay, by name."""
    folder = resources.files("mendbay.board") / "number_forms"
    found = [one for one in folder.iterdir() if one.name.endswith(".toml")]
    found.sort(key=lambda one: one.name)
    return tuple(FormText(one.name, one.read_text("utf-8")) for one in found)


def load_forms(texts: Sequence[FormText] | None = None) -> Forms:
    """The forms and captions of several files.

    A form of a later file replaces an earlier one with the same id; a caption one with the same text.

    Args:
        texts: the files, in order; None for the packaged ones alone. A shop's own follow the packaged ones:
            `load_forms((*packaged_texts(), *own))`.

    Raises:
        BadFormFile: a file breaks a rule; the message names the file, the line and the field.
    """
    forms: dict[str, Form] = {}
    captions: dict[tuple[str, bool], Caption] = {}
    for text in packaged_texts() if texts is None else texts:
        read = read_form_file(text)
        for name in read.switched_off:
            forms.pop(name, None)
        forms.update((one.id, one) for one in read.forms)
        captions.update(((one.text, one.in_barcodes), one) for one in read.captions)
    return Forms(tuple(forms.values()), _longest_first(captions.values()))


def _longest_first(captions: Iterable[Caption]) -> tuple[Caption, ...]:
    return tuple(sorted(captions, key=lambda one: (-len(one.text), one.text)))

"""The interface of the bench described for programs (OpenAPI 3.1), from the one record of its addresses."""

from __future__ import annotations

import re
from importlib.metadata import version
from typing import Any

from mendbay.faces.web.addresses import Address, Book

_TROUBLES = {
    "404": "There is no such case, item or page.",
    "409": "It does not fit how things stand; nothing was changed.",
    "410": "The case was forgotten on purpose.",
    "413": "More than is taken at once.",
    "422": "What was said cannot be understood; nothing was changed.",
    "503": "Something this needs is not there, or the ledger cannot be used.",
}


def description_of(book: Book) -> dict[str, Any]:
    """The description as a document of OpenAPI 3.1."""
    paths: dict[str, dict[str, Any]] = {}
    for one in book.addresses.values():
        paths.setdefault(re.sub(r":int\}", "}", one.path), {})[one.method.lower()] = _operation(one)
    return {
        "openapi": "3.1.0",
        "info": {"title": "The bench in the browser", "version": version("mendbay")},
        "paths": paths,
    }


def _operation(one: Address) -> dict[str, Any]:
    parameters = [
        {
            "name": name,
            "in": "path",
            "required": True,
            "schema": {"type": "integer", "minimum": 1, "maximum": 2**53 - 1}
            if whole
            else {"type": "string", "minLength": 1, "maxLength": 200},
        }
        for name, whole in one.parts()
    ]
    made: dict[str, Any] = {
        "operationId": f"{one.method.lower()}-{one.name}",
        "summary": one.words,
        "parameters": parameters,
        "responses": _responses(one),
    }
    if one.method == "GET":
        parameters += [
            {"name": each.name, "in": "query", "required": each.required, "schema": each.schema()}
            for each in one.fields
        ]
        return made
    kind = "multipart/form-data" if one.takes_files else "application/x-www-form-urlencoded"
    schema = {
        "type": "object",
        "properties": {each.name: each.schema() for each in one.fields},
        "required": [each.name for each in one.fields if each.required],
        "additionalProperties": False,
    }
    made["requestBody"] = {"required": bool(schema["required"]), "content": {kind: {"schema": schema}}}
    return made


def _responses(one: Address) -> dict[str, Any]:
    html = {"text/html": {"schema": {"type": "string"}}}
    plain = {"text/plain": {"schema": {"type": "string"}}}
    found: dict[str, Any] = {
        status: {"description": words, "content": html} for status, words in _TROUBLES.items()
    }
    found["413"]["content"] = found["413"]["content"] | plain  # told at the door, before there is a page
    found["405"] = {"description": "Not asked in this way.", "content": html | plain}
    found["401"] = {"description": "The key of this bench is needed.", "content": html | plain}
    found["403"] = {
        "description": "It did not come from a page of this server, or from another account of its machine.",
        "content": plain,
    }
    found["421"] = {"description": "This server does not go by that name.", "content": plain}
    if one.method == "POST":
        found["200"] = {
            "description": "Done: a file to keep. Or a page that shows what was tried, or asks for more, and "
            "nothing was done; without the mark of a page (`seen`) nothing more is asked for, but refused."
        }
        found["303"] = {"description": "Done: the page to look at next."}
    else:
        found["200"] = {"description": one.words}
        found["303"] = {"description": "It stands elsewhere."}
        found["204"] = {"description": "Nothing is new since."}
    return found

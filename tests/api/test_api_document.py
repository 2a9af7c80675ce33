"""The OpenAPI document: every field described with its unit, every example valid."""

from __future__ import annotations

import re
from collections.abc import Iterator
from typing import Any

import pytest
from fastapi import FastAPI
from pydantic import TypeAdapter

from oyez.api import schemas
from tests.api.asking import Asking

NOT_FOR_PROGRAMS = {"/healthz"}


@pytest.fixture
def document(client: Asking) -> dict[str, Any]:
    found: dict[str, Any] = client.get("/api/openapi.json").json()
    return found


def fields(document: dict[str, Any]) -> Iterator[tuple[str, dict[str, Any]]]:
    for name, schema in document["components"]["schemas"].items():
        for field, inner in schema.get("properties", {}).items():
            yield f"{name}.{field}", inner
    for path, methods in document["paths"].items():
        for method, operation in methods.items():
            for parameter in operation.get("parameters", ()):
                yield f"{method} {path} {parameter['name']}", parameter


def test_every_field_and_parameter_is_described_with_an_example(document: dict[str, Any]) -> None:
    found = dict(fields(document))
    assert len(found) > 120
    silent = [name for name, inner in found.items() if not inner.get("description")]
    assert silent == []
    without = [
        name
        for name, inner in found.items()
        if not (inner.get("examples") or inner.get("schema", {}).get("examples") or inner.get("format") == "binary"
                or inner.get("contentMediaType"))
    ]  # fmt: skip
    assert without == []


UNITS = {
    r"_ms$": r"\bms\b|millisecond",
    r"_db$": r"\bdB\b",
    r"_lufs$": r"\bLUFS\b",
    r"_dbtp$": r"\bdBTP\b",
    r"_at$": r"ISO 8601",
}


def test_a_field_named_by_its_unit_says_the_unit(document: dict[str, Any]) -> None:
    checked = 0
    for name, inner in fields(document):
        for ending, unit in UNITS.items():
            if re.search(ending, name):
                checked += 1
                text = inner["description"]
                assert re.search(unit, text) or text == "The same", (name, text)
    assert checked > 30


def test_every_example_is_what_its_field_takes() -> None:
    for name, model in vars(schemas).items():
        if not (isinstance(model, type) and issubclass(model, schemas.Shown)):
            continue
        for field, info in model.model_fields.items():
            for example in info.examples or ():
                TypeAdapter(info.annotation).validate_python(example)
                assert example is not None or type(None) in getattr(info.annotation, "__args__", ()), (name, field)


def test_every_route_has_words_and_says_which_problems_come_back(document: dict[str, Any]) -> None:
    for path, methods in document["paths"].items():
        for method, operation in methods.items():
            assert operation.get("description"), (method, path)
            for status, answer in operation["responses"].items():
                if status[0] in "45" and path not in NOT_FOR_PROGRAMS:
                    assert "application/problem+json" in answer["content"], (method, path, status)


def test_every_reference_in_the_document_leads_somewhere(document: dict[str, Any]) -> None:
    names = set(document["components"]["schemas"])
    references = set(re.findall(r"#/components/schemas/(\w+)", str(document)))
    assert references <= names
    assert "HTTPValidationError" not in names


def test_the_reference_page_lists_every_route_and_field(client: Asking, document: dict[str, Any]) -> None:
    text = client.get("/api/docs").text
    for path in document["paths"]:
        assert path in text
    for name in document["components"]["schemas"]["PlayView"]["properties"]:
        assert f"<code>{name}</code>" in text


def test_routes_are_nouns_under_api(app: FastAPI, document: dict[str, Any]) -> None:
    assert all(path.startswith("/api/") or path == "/healthz" for path in document["paths"])

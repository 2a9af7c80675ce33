"""The OpenAPI document as plain rows for a page, so that it needs no script and no outside host. Pure."""

from __future__ import annotations

import json
from collections.abc import Mapping
from typing import Any

Tree = Mapping[str, Any]


def reference(document: Tree) -> dict[str, Any]:
    """{"title", "version", "operations": [...], "schemas": [...]}."""
    schemas = document.get("components", {}).get("schemas", {})
    operations = [
        _operation(method, path, operation)
        for path, methods in document["paths"].items()
        for method, operation in methods.items()
    ]
    return {
        "title": document["info"]["title"],
        "version": document["info"]["version"],
        "intro": document["info"].get("description", ""),
        "operations": operations,
        "schemas": [_schema(name, schema) for name, schema in sorted(schemas.items()) if "properties" in schema],
    }


def _operation(method: str, path: str, operation: Tree) -> dict[str, Any]:
    body = operation.get("requestBody", {}).get("content", {})
    return {
        "method": method.upper(),
        "path": path,
        "anchor": f"{method}-{path.strip('/').replace('/', '-').replace('{', '').replace('}', '')}",
        "what": operation.get("description") or operation.get("summary", ""),
        "parameters": [_parameter(p) for p in operation.get("parameters", ())],
        "body": [{"media": media, **_kind(content.get("schema", {}))} for media, content in body.items()],
        "answers": [_answer(status, answer) for status, answer in operation.get("responses", {}).items()],
    }


def _parameter(parameter: Tree) -> dict[str, Any]:
    schema = parameter.get("schema", {})
    return {
        "name": parameter["name"],
        "place": parameter["in"],
        "required": parameter.get("required", False),
        "what": parameter.get("description") or schema.get("description", ""),
        "example": _example(schema),
        **_kind(schema),
    }


def _answer(status: str, answer: Tree) -> dict[str, Any]:
    content = answer.get("content", {})
    media = next(iter(content), "")
    return {
        "status": status,
        "what": answer.get("description", ""),
        "media": media,
        **_kind(content.get(media, {}).get("schema", {})),
    }


def _schema(name: str, schema: Tree) -> dict[str, Any]:
    needed = set(schema.get("required", ()))
    return {
        "name": name,
        "what": schema.get("description", ""),
        "fields": [
            {
                "name": field,
                "required": field in needed,
                "what": inner.get("description", ""),
                "example": _example(inner),
                **_kind(inner),
            }
            for field, inner in schema["properties"].items()
        ],
    }


def _example(schema: Tree) -> str:
    examples = schema.get("examples") or []
    return json.dumps(examples[0], ensure_ascii=False) if examples else ""


def _kind(schema: Tree) -> dict[str, str]:
    """The type in words, and the name of the schema it points to."""
    if "$ref" in schema:
        name = schema["$ref"].rpartition("/")[2]
        return {"kind": name, "schema": name}
    if "anyOf" in schema:
        kinds = [_kind(s) for s in schema["anyOf"]]
        return {
            "kind": " or ".join(k["kind"] for k in kinds),
            "schema": next((k["schema"] for k in kinds if k["schema"]), ""),
        }
    if "enum" in schema:
        return {"kind": ", ".join(json.dumps(v) for v in schema["enum"]), "schema": ""}
    if schema.get("type") == "array":
        if "prefixItems" in schema:
            return {"kind": "pair", "schema": ""}
        inner = _kind(schema.get("items", {}))
        return {"kind": f"list of {inner['kind']}", "schema": inner["schema"]}
    if schema.get("type") == "object" and isinstance(schema.get("additionalProperties"), dict):
        inner = _kind(schema["additionalProperties"])
        return {"kind": f"table of {inner['kind']}", "schema": inner["schema"]}
    kind = schema.get("type", "")
    limits = [str(schema[k]) for k in ("minimum", "maximum") if k in schema]
    return {"kind": f"{kind} {' to '.join(limits)}".strip(), "schema": ""}

"""The feed described for programs: OpenAPI 3.1, made of the operations, their shapes and bodies."""

from typing import Any

from rest_framework import serializers

from config.api_operations import OPERATIONS, Operation
from config.api_shapes import ANSWERS, EVENTS, schema_of
from config.errors import FRAMEWORK_CODES
from orders.api_urls import urlpatterns as selling_urls
from shipping.api_urls import urlpatterns as shipping_urls

PARTS = {"number": "order", "week_name": "week", "key": "strain", "name": "listing"}
PROBLEM = {
    "type": "object",
    "required": ["type", "title", "status", "detail", "code", "server_time"],
    "properties": {
        "type": {"type": "string", "format": "uri"},
        "title": {"type": "string"},
        "status": {"type": "integer"},
        "detail": {"type": "string"},
        "instance": {"type": "string"},
        "code": {"type": "string", "description": "for programs; never changes"},
        "server_time": {"type": "string", "format": "date-time"},
        "rows": {"type": "array", "items": {"type": "object"}},
        "facts": {"type": "object"},
    },
}
SIGNED = {
    "webhook-id": "the same at every try of one event",
    "webhook-timestamp": "seconds since 1970; refuse what is older than 300 s",
    "webhook-signature": "one for each live secret, parted by blanks: the letters v1, a comma, and "
    "base64 of the HMAC-SHA256 over id.timestamp.body as it came, byte for byte",
}


def routes() -> dict[str, str]:
    """The feed's addresses: the name of each -> its path with names in braces."""
    rows = (*selling_urls, *shipping_urls)
    return {row.name or "": _path_of(str(row.pattern), row.name or "") for row in rows}


def _path_of(pattern: str, name: str) -> str:
    for kind in ("str", "int"):
        pattern = pattern.replace(f"<{kind}:", "{").replace(">", "}")
    names = {**PARTS, "number": "hook"} if name.startswith("api-hook") else PARTS
    for part, word in names.items():
        pattern = pattern.replace(f"{{{part}}}", f"{{{word}}}")
    return f"/api/v1/{pattern}"


def description(*, address: str) -> dict[str, Any]:
    """The whole description. ``address`` is where the service is reached."""
    paths: dict[str, Any] = {}
    known = routes()
    for row in OPERATIONS:
        paths.setdefault(known[row.name], {})[row.method.lower()] = _operation(row, known[row.name])
    return {
        "openapi": "3.1.0",
        "info": {
            "title": "Slackwater, the feed for retailers' systems",
            "version": "1",
            "description": f"With examples: {address}/developers/",
        },
        "servers": [{"url": address}],
        "security": [{"token": []}],
        "paths": paths,
        "webhooks": {name: _webhook(name) for name in EVENTS},
        "components": {
            "securitySchemes": {"token": {"type": "http", "scheme": "bearer"}},
            "schemas": {
                **{name: schema_of(shape) for name, shape in ANSWERS.items()},
                **{_event_name(name): _event(name) for name in EVENTS},
                "Event": {"oneOf": [_ref(_event_name(name)) for name in EVENTS]},
                "Problem": PROBLEM,
            },
        },
    }


def _ref(name: str) -> dict[str, str]:
    return {"$ref": f"#/components/schemas/{name}"}


def _operation(row: Operation, path: str) -> dict[str, Any]:
    described: dict[str, Any] = {
        "operationId": f"{row.method.lower()}-{row.name.removeprefix('api-')}",
        "summary": row.words.split(". ")[0].removesuffix("."),
        "description": row.words,
        "parameters": _parameters(row, path),
        "responses": _responses(row),
    }
    if row.takes is not None:
        body: dict[str, Any] = {"schema": body_schema(row.takes())}
        if row.example is not None:
            body["example"] = row.example
        described["requestBody"] = {"required": True, "content": {"application/json": body}}
    return described


def _parameters(row: Operation, path: str) -> list[dict[str, Any]]:
    text = {"type": "string"}
    names = [part.split("}")[0] for part in path.split("{")[1:]]
    found: list[dict[str, Any]] = [
        {"name": name, "in": "path", "required": True, "schema": text} for name in names
    ]
    for name, words in row.query.items():
        found.append({"name": name, "in": "query", "description": words, "schema": text})
    for name in row.needs:
        found.append({"name": name, "in": "header", "required": True, "schema": text})
    if row.method == "GET":
        found.append({"name": "If-None-Match", "in": "header", "schema": text})
    return found


def _responses(row: Operation) -> dict[str, Any]:
    good: dict[str, Any] = {"description": "done" if row.method != "GET" else "as it is now"}
    if row.answers:
        good["content"] = {"application/json": {"schema": _ref(row.answers)}}
    elif row.kind:
        good["content"] = {row.kind: {"schema": {"type": "string", "format": "binary"}}}
    if good.get("content"):
        good["headers"] = {"ETag": {"schema": {"type": "string"}}}
    found = {str(row.status): good}
    if row.method == "GET":
        found["304"] = {"description": "you have it already"}
    codes: dict[int, list[str]] = {401: [FRAMEWORK_CODES[401]]}
    if row.takes is not None:
        codes[400] = ["body_not_right"]
        codes[415] = [FRAMEWORK_CODES[415]]
    for refusal in row.refuses:
        codes.setdefault(refusal.status, []).append(refusal.code)
    for status, names in sorted(codes.items()):
        content = {"application/problem+json": {"schema": _ref("Problem")}}
        found[str(status)] = {"description": ", ".join(sorted(names)), "content": content}
    return found


def _event_name(kind: str) -> str:
    return "Event." + kind


def _event(kind: str) -> dict[str, Any]:
    words, fields = EVENTS[kind]
    described = schema_of({"sequence": "whole", "type": "text", "at": "moment", **fields})
    described["properties"]["type"] = {"const": kind}
    return described | {"description": words}


def _webhook(kind: str) -> dict[str, Any]:
    headers = [
        {"name": name, "in": "header", "required": True, "description": words,
         "schema": {"type": "string"}}
        for name, words in SIGNED.items()
    ]  # fmt: skip
    body = {"application/json": {"schema": _ref(_event_name(kind))}}
    return {
        "post": {
            "summary": EVENTS[kind][0],
            "parameters": headers,
            "requestBody": {"required": True, "content": body},
            "responses": {
                "2XX": {"description": "taken; anything else is tried again, 9 times in all"},
                "410": {"description": "call this address no more"},
            },
        }
    }


def body_schema(body: serializers.BaseSerializer[Any]) -> dict[str, Any]:
    """What a serializer reads, as JSON Schema."""
    if isinstance(body, serializers.ListSerializer):
        least = {} if body.allow_empty else {"minItems": 1}
        assert isinstance(body.child, serializers.BaseSerializer)
        return {"type": "array", "items": body_schema(body.child), **least}
    assert isinstance(body, serializers.Serializer)
    fields = body.fields.items()
    return {
        "type": "object",
        "required": [name for name, row in fields if row.required],
        "properties": {
            name: body_schema(row)
            if isinstance(row, serializers.BaseSerializer)
            else _field_schema(row)
            for name, row in fields
        },
        # orders/api_answers.py: Body
        "additionalProperties": False,
    }


def _field_schema(row: serializers.Field[Any, Any, Any, Any]) -> dict[str, Any]:
    if isinstance(row, serializers.DateField):
        return {"type": "string", "format": "date"}
    if isinstance(row, serializers.CharField):
        return {"type": "string", "maxLength": row.max_length}
    kinds: dict[type, str] = {
        serializers.IntegerField: "integer", serializers.FloatField: "number",
    }  # fmt: skip
    kind: Any = kinds[type(row)]
    limits = {"minimum": row.min_value, "maximum": row.max_value}  # type: ignore[attr-defined]
    return {"type": [kind, "null"] if row.allow_null else kind, **limits}

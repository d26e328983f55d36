"""The feed described: a page for the people who write to it, and the same for their programs."""

import json
from typing import Any

from django.conf import settings
from django.http import HttpRequest, HttpResponse
from django.shortcuts import render

from config.api_description import SIGNED, description, routes
from config.api_operations import OPERATIONS, Operation, refusals
from config.api_shapes import ANSWERS, EVENTS, Shape
from config.errors import FRAMEWORK_CODES, HANDLER_CODES
from orders.calc.signing import TOLERANCE_S, key_of, sign

NULLABLE = " or null"
# What stands for the names in braces where a request is shown.
SAMPLE = {
    "week": "2026-W49",
    "strain": "KLN",
    "listing": "KLN%20plug",
    "order": "4910",
    "question": "7",
    "hook": "1",
    "etag": '"5f0c9a1b7de24c3f8a6b1d2e3f405162"',
}

# The worked call of job story A25.
SAMPLE_SECRET = "whsec_ZGVtby1vbmx5LW5vdC1hLXJlYWwtc2VjcmV0"
SAMPLE_BODY = '{"sequence":41,"type":"line.rested","strain":"KLN","form":"plug"}'


def description_page(request: HttpRequest) -> HttpResponse:
    """The description for programs. It names nothing of the farm's, so it needs no token."""
    text = json.dumps(description(address=settings.FARM_ADDRESS), ensure_ascii=False, indent=1)
    answer = HttpResponse(text, content_type="application/json")
    answer["Cache-Control"] = "public, max-age=3600"
    return answer


def developers_page(request: HttpRequest) -> HttpResponse:
    """How to mirror the list, order and be called: every address with an example to send."""
    known = routes()
    context = {
        "address": settings.FARM_ADDRESS,
        "operations": [_operation(row, known[row.name]) for row in OPERATIONS],
        "shapes": [(name, _fields(shape)) for name, shape in ANSWERS.items()],
        "events": [(name, words, ", ".join(fields)) for name, (words, fields) in EVENTS.items()],
        "signed": SIGNED.items(),
        "tolerance_s": TOLERANCE_S,
        "signed_call": _signed_call(),
        "sample_secret": SAMPLE_SECRET,
        # A class is callable, and a template would call it.
        "refusals": [
            {"code": code, "status": row.status, "title": row.title}
            for code, row in refusals().items()
        ],
        "framework": sorted((*FRAMEWORK_CODES.items(), *HANDLER_CODES.items())),
    }
    return render(request, "developers.html", context)


def _signed_call() -> str:
    """A call with its signature, to try one's own check on. The secret is nobody's."""
    signature = sign(
        keys=[key_of(SAMPLE_SECRET)], message_id="fc1-41", timestamp=1794232200, body=SAMPLE_BODY
    )
    head = f"webhook-id: fc1-41\nwebhook-timestamp: 1794232200\nwebhook-signature: {signature}"
    return f"{head}\n\n{SAMPLE_BODY}"


def _operation(row: Operation, path: str) -> dict[str, Any]:
    return {
        "id": f"{row.method.lower()}-{row.name.removeprefix('api-')}",
        "method": row.method,
        "path": path,
        "words": row.words,
        "answers": row.answers,
        "status": row.status,
        "query": row.query.items(),
        "request": _request(row),
        "codes": sorted({refusal.code for refusal in row.refuses}),
    }


def _request(row: Operation) -> str:
    """The example as it goes over the wire, less what every request has."""
    path = row.path.format(**SAMPLE)
    head = [f"{row.method} /api/v1/{path}", "Authorization: Bearer TOKEN"]
    head += [f"{name}: {value.format(**SAMPLE)}" for name, value in row.needs.items()]
    if row.example is None:
        return "\n".join(head)
    body = json.dumps(row.example, ensure_ascii=False, indent=2)
    return "\n".join([*head, "Content-Type: application/json", "", body])


def _fields(shape: Shape, within: str = "") -> list[tuple[str, str]]:
    """A shape as rows: each field with its path, and what its value is."""
    rows: list[tuple[str, str]] = []
    for name, inner in shape.items():
        path = f"{within}{name}"
        if isinstance(inner, dict):
            rows += [(path, "object"), *_fields(inner, f"{path}.")]
        elif isinstance(inner, tuple):
            rows += [(path, f"object{NULLABLE}"), *_fields(inner[1], f"{path}.")]
        elif isinstance(inner, list) and isinstance(inner[0], dict):
            rows += [(path, "list"), *_fields(inner[0], f"{path}[].")]
        elif isinstance(inner, list):
            rows.append((path, f"list of {inner[0]}"))
        else:
            rows.append((path, inner.replace("?", NULLABLE)))
    return rows

"""Every refusal as problem+json (RFC 9457) for programs, or as a page for people."""

import json
import math
from collections.abc import Callable
from typing import Any

from django.conf import settings
from django.core.exceptions import PermissionDenied, RequestDataTooBig
from django.http import Http404, HttpRequest, HttpResponse
from django.shortcuts import render
from django.views import defaults
from rest_framework import exceptions
from rest_framework.settings import api_settings

from config.refused_forms import page_again
from inventory.clock import machine_now
from inventory.errors import FarmError

PROBLEM = "application/problem+json"
FEED = "/api/"
# What the framework itself refuses.
FRAMEWORK_CODES = {
    401: "token_missing_or_unknown",
    403: "not_allowed",
    404: "unknown",
    405: "method_not_allowed",
    406: "not_acceptable",
    415: "media_type_not_supported",
    429: "too_many_requests",
}
FRAMEWORK_TITLES = {
    401: "No token, or none that is known",
    403: "Not yours to do",
    404: "Nothing of that name",
    405: "Nothing answers to that method here",
    406: "Only JSON is answered here",
    415: "That kind of body is not read here",
    429: "Too many requests",
}
NO_TOKEN = (
    "No token came with the request. Send the header Authorization: Bearer TOKEN; the farm's "
    "office gives you one."
)
# What is refused, or fails, before the framework is asked or behind its back.
HANDLER_CODES = {400: "request_not_right", 413: "body_too_large", 500: "failed_here"}


class RefusalPages:
    """Turns a farm refusal raised by a page into its page again, or one of the sentence's own."""

    def __init__(self, get_response: Callable[[HttpRequest], HttpResponse]) -> None:
        self.get_response = get_response

    def __call__(self, request: HttpRequest) -> HttpResponse:
        return self.get_response(request)

    def process_exception(self, request: HttpRequest, error: Exception) -> HttpResponse | None:
        if not isinstance(error, FarmError):
            return None
        again = page_again(request=request, error=error)
        if again is not None:
            return again
        context = {
            "title": error.title,
            "sentence": error.sentence,
            "code": error.code,
            "rows": error.facts.get("rows", []),
            "back": request.path if request.method == "GET" else request.get_full_path(),
        }
        return render(request, "refusal.html", context, status=error.status)


def answer_bad_request(request: HttpRequest, exception: Exception) -> HttpResponse:
    """Django's answer to a request it will not read on, as a problem where a program asked."""
    if not request.path.startswith(FEED):
        return defaults.bad_request(request, exception)
    if isinstance(exception, RequestDataTooBig):
        words = "The body is too large. Send it in smaller parts."
        return _problem(413, HANDLER_CODES[413], "The body is too large", words)
    words = "The request cannot be read. Check its address and headers."
    return _problem(400, HANDLER_CODES[400], "The request cannot be read", words)


def answer_unknown(request: HttpRequest, exception: Exception) -> HttpResponse:
    """The answer at an address that does not exist."""
    if request.path.startswith(FEED):
        return _unknown_address()
    return defaults.page_not_found(request, exception)


def answer_failure(request: HttpRequest) -> HttpResponse:
    """The answer where the service itself failed; what failed stands in the log."""
    if request.path.startswith(FEED):
        words = "That failed on our side; nothing was half-done. Send it again with the same key."
        return _problem(500, HANDLER_CODES[500], "Something failed here", words)
    return defaults.server_error(request)


def answer_problem(error: Exception, context: dict[str, Any]) -> HttpResponse | None:
    """The feed's answer to any refusal: a stable code, a sentence, and the rows at fault."""
    answer = _problem_of(error)
    request = context.get("request")
    if answer is None or request is None:
        return answer
    body = json.loads(answer.content) | {"instance": request.get_full_path()}
    answer.content = json.dumps(body, ensure_ascii=False).encode()
    return answer


def _problem_of(error: Exception) -> HttpResponse | None:
    if isinstance(error, FarmError):
        rows = error.facts.get("rows", [])
        facts = {key: value for key, value in error.facts.items() if key not in ("rows", "first")}
        return _problem(error.status, error.code, error.title, error.sentence, rows, facts)
    if isinstance(error, Http404):
        return _unknown_address()
    if isinstance(error, PermissionDenied):
        return _problem(403, "not_allowed", "Not yours to do", "That is not yours to do.")
    if isinstance(error, exceptions.ValidationError):
        rows = list(_field_rows(error.detail))
        first = rows[0]["detail"] if rows else "look at the rows"
        return _problem(
            400, "body_not_right", "The body cannot be read", f"Nothing was done: {first}", rows
        )
    if isinstance(error, exceptions.APIException):
        return _of_framework(error)
    return None


def _unknown_address() -> HttpResponse:
    return _problem(404, "unknown", "Nothing of that name", "There is nothing at that address.")


def _of_framework(error: exceptions.APIException) -> HttpResponse:
    code = FRAMEWORK_CODES.get(error.status_code, "body_not_right")
    title = FRAMEWORK_TITLES.get(error.status_code, "The body cannot be read")
    is_no_token = isinstance(error, exceptions.NotAuthenticated)
    answer = _problem(
        error.status_code, code, title, NO_TOKEN if is_no_token else str(error.detail)
    )
    header = getattr(error, "auth_header", None)
    if header:
        answer["WWW-Authenticate"] = header
    wait_s = getattr(error, "wait", None)
    if wait_s:
        answer["Retry-After"] = str(math.ceil(wait_s))
    return answer


def _problem(
    status: int,
    code: str,
    title: str,
    detail: str,
    rows: list[Any] | None = None,
    facts: dict[str, Any] | None = None,
) -> HttpResponse:
    body: dict[str, Any] = {
        "type": f"{settings.FARM_ADDRESS}/developers/#{code}",
        "title": title,
        "status": status,
        "detail": detail,
        "code": code,
        # A reader whose clock is off takes a signed call for an old one: this is ours.
        "server_time": machine_now().isoformat(timespec="seconds"),
    }
    if rows:
        body["rows"] = rows
    if facts:
        body["facts"] = facts
    text = json.dumps(body, ensure_ascii=False, default=str)
    answer = HttpResponse(text, status=status, content_type=PROBLEM)
    answer["Cache-Control"] = "no-store"
    return answer


def _field_rows(detail: Any, field: str = "") -> Any:
    """Each field at fault with its path, such as lines.2.asked."""
    if isinstance(detail, dict):
        for name, inner in detail.items():
            # What is wrong with a thing as a whole stands under a name of the framework's own.
            if name == api_settings.NON_FIELD_ERRORS_KEY:
                name = ""
            yield from _field_rows(inner, f"{field}.{name}".strip("."))
    elif isinstance(detail, list):
        for index, inner in enumerate(detail):
            if isinstance(inner, dict | list):
                yield from _field_rows(inner, f"{field}.{index}".strip("."))
            else:
                yield _field_row(field, inner)
    else:
        yield _field_row(field, detail)


def _field_row(field: str, fault: exceptions.ErrorDetail) -> dict[str, str | None]:
    detail = f"{field}: {fault}" if field else str(fault)
    return {"field": field, "code": fault.code, "detail": detail}

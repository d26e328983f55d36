"""What every address of the feed shares: who asks, how it is answered, what a condition means.

Call from: orders/api.py, orders/hook_api.py, orders/strain_api.py, orders/rest_api.py and
shipping/arrival_api.py.
"""

import hashlib
import json
from collections.abc import Callable, Iterable
from datetime import date, datetime
from typing import Any

from django.http import HttpRequest, HttpResponse
from django.utils import timezone
from rest_framework import serializers
from rest_framework.authentication import BaseAuthentication, get_authorization_header
from rest_framework.exceptions import AuthenticationFailed, ParseError
from rest_framework.parsers import JSONParser
from rest_framework.permissions import IsAuthenticated
from rest_framework.request import Request
from rest_framework.views import APIView

from inventory.clock import machine_now
from inventory.errors import FarmError, Unknown
from orders.calc.http_tags import (
    FAILED,
    NOT_MODIFIED,
    Tags,
    judge,
    link_header,
    read_tag,
    read_tags,
)
from orders.claiming import body_hash, claim_key, drop_claim, finish_claim
from orders.feeding import hash_token
from orders.models import FeedClient

# A list may be read from a reader's own cache so long; an event says sooner that it has moved.
LIST_MAX_AGE_S = 60


class TagNotRight(FarmError):
    code = "tag_not_right"
    status = 400
    title = "That is no ETag"
    message = "{header}: {fault}. Send the ETag word for word as it was answered, quotes and all."


class ConditionFailed(FarmError):
    code = "condition_failed"
    status = 412
    title = "It reads otherwise by now"
    message = "Nothing was done: the condition of this request does not hold. Read it again first."


class TokenAuthentication(BaseAuthentication):
    """A client's token in the Authorization header: "Bearer TOKEN"."""

    def authenticate(self, request: Request) -> tuple[FeedClient, None] | None:
        words = get_authorization_header(request).split()
        if not words or words[0].lower() != b"bearer":
            return None
        if len(words) != 2:
            raise AuthenticationFailed("Send one token: Authorization: Bearer TOKEN.")
        digest = hash_token(words[1].decode("latin-1"))
        client = FeedClient.objects.select_related("customer").filter(token_hash=digest).first()
        if client is None or not client.is_active:
            raise AuthenticationFailed("That token is not known. Ask the farm for a new one.")
        return client, None

    def authenticate_header(self, request: Request) -> str:
        return "Bearer"


class BodyParser(JSONParser):
    """JSON as the framework reads it, without what would break further in."""

    def parse(self, stream: Any, media_type: Any = None, parser_context: Any = None) -> Any:
        try:
            body = super().parse(stream, media_type, parser_context)
            # Half of a pair of characters can be written as an escape, but kept nowhere.
            json.dumps(body, ensure_ascii=False).encode()
        except RecursionError:
            raise ParseError("The JSON is nested too deep.") from None
        except UnicodeEncodeError:
            raise ParseError("The JSON holds half a character (a lone surrogate).") from None
        return body


class Body(serializers.Serializer[Any]):
    """What an address takes. A field that it does not know is named and refused: a misspelt
    "least" that is passed over would order what nobody wants."""

    default_error_messages = {"invalid": "this must be a JSON object, in braces"}

    def to_internal_value(self, data: Any) -> Any:
        unknown = [name for name in data if name not in self.fields] if _is_object(data) else []
        if unknown:
            words = f"there is no such field; there are {', '.join(self.fields)}"
            fault = serializers.ErrorDetail(words, code="field_unknown")
            raise serializers.ValidationError({str(name)[:60]: [fault] for name in unknown})
        return super().to_internal_value(data)


def _is_object(data: Any) -> bool:
    # A form (QueryDict) holds files and tokens of its own beside the fields.
    return type(data) is dict


class FeedView(APIView):
    authentication_classes = [TokenAuthentication]
    parser_classes = [BodyParser]
    permission_classes = [IsAuthenticated]

    @property
    def client(self) -> FeedClient:
        return self.request.user  # type: ignore[return-value]

    def initial(self, request: Request, *args: Any, **kwargs: Any) -> None:
        super().initial(request, *args, **kwargs)
        for value in kwargs.values():
            if "\x00" in str(value):
                # No name holds one, and a database may refuse to be asked for it.
                raise Unknown(kind="address", name=repr(value)[:40])

    def options(  # type: ignore[override]
        self, request: Request, *args: Any, **kwargs: Any
    ) -> HttpResponse:
        """Which methods an address takes: the Allow header, put there for every answer."""
        return HttpResponse(status=204)


def reply_json(
    request: HttpRequest | Request,
    body: Any,
    *,
    status: int = 200,
    max_age_s: int = 0,
    links: Iterable[tuple[str, str]] = (),
) -> HttpResponse:
    """A JSON answer with a strong ETag; 304 where the reader has it already."""
    text, tag = _text_of(body), tag_of(body)
    is_read = request.method in ("GET", "HEAD")
    if is_read and verdict_of(request, tag) == NOT_MODIFIED:
        answer = HttpResponse(status=304)
    else:
        answer = HttpResponse(text, status=status, content_type="application/json")
    answer["ETag"] = tag
    fresh = f"max-age={max_age_s}" if max_age_s else "no-cache"
    answer["Cache-Control"] = f"private, {fresh}" if is_read else "no-store"
    answer["Vary"] = "Authorization"
    links = list(links)
    if links:
        answer["Link"] = link_header(links)
    return answer


def verdict_of(request: HttpRequest | Request, tag: str) -> int:
    """What a request's conditions come to for something that reads like ``tag`` now."""
    verdict = judge(
        method=request.method or "GET",
        current=read_tag(tag),
        if_match=_tags(request, "If-Match"),
        if_none_match=_tags(request, "If-None-Match"),
    )
    if verdict == FAILED and request.method in ("GET", "HEAD"):
        raise ConditionFailed()
    return verdict


def _tags(request: HttpRequest | Request, header: str) -> Tags | None:
    try:
        return read_tags(request.headers.get(header, ""))
    except ValueError as error:
        raise TagNotRight(header=header, fault=error) from None


def _text_of(body: Any) -> str:
    return json.dumps(body, ensure_ascii=False, separators=(",", ":"))


def tag_of(body: Any) -> str:
    """The strong ETag of a body: the same words have the same tag."""
    return f'"{hashlib.sha256(_text_of(body).encode()).hexdigest()[:32]}"'


def answer_once(
    request: Request, *, parts: Any, work: Callable[[], Any], path_of: Callable[[Any], str]
) -> HttpResponse:
    """Do a work once for an Idempotency-Key and answer 201; a retry gets the first answer again.

    ``parts`` is all that the work depends on, ``path_of`` says where what was made is read.
    Raises KeyMissing, KeyHasOtherBody, StillRunning, and whatever the work refuses.
    """
    client: FeedClient = request.user  # type: ignore[assignment]
    key = request.headers.get("Idempotency-Key", "").strip()
    claim, is_done = claim_key(
        customer=client.customer, key=key, digest=body_hash(parts), at=machine_now()
    )
    if is_done:
        answer = HttpResponse(claim.reply, status=claim.status, content_type="application/json")
        answer["ETag"], answer["Cache-Control"] = tag_of(json.loads(claim.reply)), "no-store"
        answer["Vary"], answer["Idempotent-Replay"] = "Authorization", "true"
    else:
        try:
            made = work()
        except BaseException:
            drop_claim(claim=claim)
            raise
        answer = reply_json(request, made, status=201)
        finish_claim(claim=claim, status=201, reply=answer.content.decode())
    answer["Location"] = path_of(json.loads(answer.content))
    return answer


def when(at: datetime | None) -> str | None:
    """A moment as the feed writes it: ISO 8601 with the farm's offset."""
    return timezone.localtime(at).isoformat(timespec="seconds") if at else None


def day(on: date | None) -> str | None:
    return on.isoformat() if on else None

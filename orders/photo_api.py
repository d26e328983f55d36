"""The photo of a listing for a retailer's system: the file as the farm keeps it, with its tag."""

import hashlib
from typing import Any

from django.http import HttpResponse
from rest_framework.renderers import BaseRenderer
from rest_framework.request import Request

from orders.api_answers import FeedView, verdict_of
from orders.calc.http_tags import NOT_MODIFIED
from orders.photo_pages import photo_path

KIND = "image/jpeg"
MAX_AGE_S = 86_400


class JpegRenderer(BaseRenderer):
    """Lets a reader ask for an image; the view itself sends the bytes."""

    media_type = KIND
    format = "jpg"

    def render(self, data: Any, media_type: Any = None, context: Any = None) -> bytes:
        return b""


class PhotoView(FeedView):
    """One listing's photo. An address stays; what it shows changes with the next photo."""

    renderer_classes = [JpegRenderer]

    def get(self, request: Request, name: str) -> HttpResponse:
        content = photo_path(name=name).read_bytes()
        tag = f'"{hashlib.sha256(content).hexdigest()[:32]}"'
        if verdict_of(request, tag) == NOT_MODIFIED:
            answer = HttpResponse(status=304)
        else:
            answer = HttpResponse(content, content_type=KIND)
        answer["ETag"], answer["Cache-Control"] = tag, f"private, max-age={MAX_AGE_S}"
        answer["Vary"] = "Authorization"
        return answer

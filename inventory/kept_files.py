"""Files kept under FARM_HOME, answered to a browser: whole, or the part that a player asks for.

Call from: inventory/book_pages.py, inventory/walk_pages.py, orders/photo_pages.py.
"""

import re
from pathlib import Path

from django.conf import settings
from django.http import HttpRequest, HttpResponse

from inventory.errors import Unknown

RANGE = re.compile(r"bytes=([0-9]{0,15})-([0-9]{0,15})")


def kept_file(*, name: str, folder: str, what: str, of: str = "") -> Path:
    """A kept file by its path below FARM_HOME, never outside ``folder``.

    Raises Unknown, which says what is missing and of whom.
    """
    home = Path(settings.FARM_HOME).resolve()
    path = (home / name).resolve() if name else home
    if not path.is_file() or not path.is_relative_to(home / folder):
        raise Unknown(kind=what, name=of or name or "(none)")
    return path


def file_answer(request: HttpRequest, *, path: Path, media_type: str) -> HttpResponse:
    """The file, or one part of it (RFC 9110, section 14): some players ask for nothing else.

    Kept files are small (photos are made so, recordings are refused above it): each is read whole.
    """
    content = path.read_bytes()
    asked = RANGE.fullmatch(request.headers.get("Range", "").strip())
    if asked is None or asked.groups() == ("", ""):
        answer = HttpResponse(content, content_type=media_type)
    else:
        size = len(content)
        start, end = _span(asked[1], asked[2], size)
        if start >= size or start > end:
            answer = HttpResponse(status=416, headers={"Content-Range": f"bytes */{size}"})
        else:
            answer = HttpResponse(content[start : end + 1], status=206, content_type=media_type)
            answer["Content-Range"] = f"bytes {start}-{end}/{size}"
    answer["Accept-Ranges"] = "bytes"
    answer["Cache-Control"] = "private, max-age=86400"
    return answer


def _span(first: str, last: str, size: int) -> tuple[int, int]:
    """The first and the last byte asked for; without a first the number counts from the end."""
    if not first:
        return max(0, size - int(last)), size - 1 if int(last) else -1
    return int(first), min(int(last) if last else size - 1, size - 1)

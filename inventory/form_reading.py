"""Numbers and days as a form of a page sends them."""

from datetime import date

from django.http import HttpRequest

from inventory.errors import FarmError


class NumberUnreadable(FarmError):
    code = "season_number_unreadable"
    status = 422
    title = "A number or a day cannot be read"
    message = "Nothing was noted: {field} {text} cannot be read. Type {wants}."


def whole_of(request: HttpRequest, name: str) -> int:
    """A whole number as a form sends it. Raises NumberUnreadable."""
    text = request.POST.get(name, "").strip()
    if not (text.isascii() and text.isdigit()):
        raise _unreadable(name, text, wants="a whole number")
    return int(text)


def day_of(request: HttpRequest, name: str) -> date:
    """A day as a form sends it. Raises NumberUnreadable."""
    text = request.POST.get(name, "").strip()
    try:
        return date.fromisoformat(text)
    except ValueError:
        raise _unreadable(name, text, wants="a day such as 2026-11-25") from None


def _unreadable(name: str, text: str, *, wants: str) -> NumberUnreadable:
    return NumberUnreadable(field=name.replace("_", " "), text=repr(text[:20]), wants=wants)

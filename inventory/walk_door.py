"""Who stands at the walk's door: a paired phone by its key, or a person by a log-in.

Call from: inventory/walk_pages.py, config/walk_page.py.
A phone's key opens the walk and nothing else: no other page asks for it.
"""

from dataclasses import dataclass

from django.http import HttpRequest, HttpResponse
from django.utils import timezone

from inventory.errors import FarmError
from inventory.models import Phone, User
from inventory.pairing import phone_of_key
from inventory.walking import Via

KEY_COOKIE = "walk_key"
# As long as browsers keep any cookie; renewed at each visit.
KEY_LASTS_S = 400 * 24 * 3600


class NobodyKnown(FarmError):
    code = "phone_not_known"
    status = 401
    title = "This phone is not known here"
    message = (
        "This phone is not paired with the farm and nobody is logged in. Its notes stay on it. Ask "
        "the office to pair it, or log in."
    )


@dataclass(frozen=True, slots=True)
class Walker:
    """Who walks. ``revoked`` is a phone that was taken off the list."""

    user: User
    phone: Phone | None = None
    revoked: Phone | None = None

    @property
    def via(self) -> Via:
        return Via(phone=self.phone)


def walker_of(request: HttpRequest) -> Walker | None:
    """The walker behind a request: the phone's, or else the one who is logged in."""
    # The machine's clock: keys, like log-ins, do not follow a demo farm's clock.
    phone = phone_of_key(key=request.COOKIES.get(KEY_COOKIE, ""), now=timezone.now())
    if phone is not None and not phone.is_revoked:
        return Walker(phone.user, phone=phone)
    user = request.user
    if isinstance(user, User) and user.may("see_staff_pages"):
        return Walker(user)
    return Walker(phone.user, revoked=phone) if phone is not None else None


def known_walker(request: HttpRequest) -> Walker:
    """The walker behind a request. Raises NobodyKnown."""
    walker = walker_of(request)
    if walker is None:
        raise NobodyKnown()
    return walker


def keep_key(answer: HttpResponse, *, key: str, is_secure: bool) -> None:
    """Leave the key with the phone's browser, out of reach of any script."""
    answer.set_cookie(
        KEY_COOKIE, key, max_age=KEY_LASTS_S, httponly=True, samesite="Lax", secure=is_secure
    )

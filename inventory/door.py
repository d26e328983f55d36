"""Who stands at a page: a person who is logged in, and of the staff where the page is theirs."""

from django.http import HttpRequest

from inventory.people import User


def signed_in(request: HttpRequest) -> User:
    """The person at the page; the log-in decorator has seen to it that there is one."""
    assert isinstance(request.user, User)
    return request.user


def staff_only(request: HttpRequest) -> User:
    """The member of the staff at the page. Raises NotAllowed."""
    user = signed_in(request)
    user.must("see_staff_pages")
    return user

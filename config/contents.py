"""The contents of the service: every page that has one address, in the order of the work.

Call from: config/context.py.
"""

from dataclasses import dataclass

from django.http import HttpRequest
from django.urls import reverse

from inventory.people import User

# Group -> (title, address by name, whether it is a page of the newest published week).
STAFF = {
    "Selling": (
        ("List", "list", True),
        ("Read a sheet in", "sheet-upload", True),
        ("Who ordered", "who-ordered", True),
        ("Numbers", "numbers", True),
        ("Sharing", "sharing", True),
        ("Orders", "orders", False),
        ("Rests", "rests", False),
        ("What if", "what-if", False),
    ),
    "Growing": (
        ("Walk", "walk", False),
        ("Notes of the walk", "walk-book", False),
        ("House", "house", False),
        ("What grows", "growing", False),
        ("Cutting", "cutting", False),
        ("Plugs and bases", "mounts", False),
        ("What lives of the cuts", "healing", False),
        ("Where new cuts do best", "placing", False),
        ("Mothers", "mothers", False),
        ("Seasons", "seasons", False),
        ("Holds", "holds", False),
        ("Dips and looks", "care", False),
        ("Water", "water", False),
    ),
    "Shipping": (
        ("Pick sheets", "sheets", True),
        ("Packing", "packing", True),
        ("Recalls", "recalls", False),
        ("Credits", "credits", False),
        ("What arrived dead", "losses", False),
    ),
    "Office": (
        ("Edit", "edit", False),
        ("For the owner", "owner", False),
        ("What is missing", "missing", False),
        ("Messages", "messages", False),
        ("Feed and hooks", "hooks", False),
        ("For developers", "developers", False),
        ("Phones", "phones", False),
        ("Key in walk cards", "walk-keying", False),
        ("Specimens", "specimens", False),
    ),
}
# Pages that not all of the staff may open: nobody is led to a refusal.
RIGHTS = {
    "edit": "open_edit_pages",
    "owner": "read_the_books",
    "sheet-upload": "order_for_customer",
    "phones": "pair_phones",
    "walk-keying": "key_walk_cards",
}
# What stands in the masthead of a wide screen: the pages that are opened every day.
DAILY = ("List", "Orders", "Walk", "Holds", "Pick sheets", "Packing", "Messages")
BUYER = {
    "": (
        ("List", "list", True),
        ("Read a sheet in", "sheet-upload", True),
        ("Orders", "orders", False),
        ("For developers", "developers", False),
    )
}


@dataclass(frozen=True, slots=True)
class PageLink:
    name: str
    url: str
    is_here: bool


@dataclass(frozen=True, slots=True)
class PageGroup:
    name: str
    links: tuple[PageLink, ...]


def contents_for(*, request: HttpRequest, user: User, week_name: str) -> tuple[PageGroup, ...]:
    """The groups of pages that this reader may open. ``week_name`` is empty before any list."""
    groups = []
    for group, pages in (STAFF if user.is_staff_member else BUYER).items():
        links = []
        for title, name, is_of_week in pages:
            is_shut = user.is_staff_member and name in RIGHTS and not user.may(RIGHTS[name])
            if is_shut or (is_of_week and not week_name):
                continue
            url = reverse(name, args=[week_name] if is_of_week else [])
            links.append(PageLink(title, url, request.path == url))
        groups.append(PageGroup(group, tuple(links)))
    return tuple(groups)


def daily_links(contents: tuple[PageGroup, ...]) -> tuple[PageLink, ...]:
    """The links of the masthead itself."""
    return tuple(link for group in contents for link in group.links if link.name in DAILY)

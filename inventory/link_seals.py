"""The word in a log-in link: reckoned from its row and the farm's key, stored nowhere.

Call from: inventory/log_in_links.py, inventory/messaging.py.
"""

import re

from django.utils.crypto import salted_hmac

from inventory.models import LogInLink

# How the link stands in a letter's row, and on the messages page, until the letter is handed over.
SEALED_LINK = "/log-in/link/{}.sealed/"
SEALED = re.compile(r"/log-in/link/([0-9]{1,12})\.sealed/")
TOKEN = re.compile(r"([0-9]{1,12})-([0-9a-f]{40})")


def token_of(link: LogInLink) -> str:
    """The word in a link: which row, and a seal that only this farm's key makes."""
    return f"{link.pk}-{seal_of(link)}"


def seal_of(link: LogInLink) -> str:
    """Forty letters from the row and the farm's key."""
    facts = f"{link.pk}:{link.user_id}:{link.kind}:{link.made_at.isoformat()}"
    return salted_hmac("slackwater.log_in_link", facts, algorithm="sha256").hexdigest()[:40]


def reveal(text: str) -> str:
    """A letter's text with its sealed link opened, as it is handed to the mail server."""

    def opened(found: re.Match[str]) -> str:
        link = LogInLink.objects.filter(pk=int(found[1])).first()
        return found[0] if link is None else f"/log-in/link/{token_of(link)}/"

    return SEALED.sub(opened, text)

"""Whether lines may go to one ship-to of the reader, said beside each line of the feed."""

from datetime import date
from typing import Any

from rest_framework.request import Request

from inventory.models import Strain
from orders.intake import own_ship_to
from orders.models import Customer
from orders.rules import RuleBook


class LawFor:
    """The rules of the ship-to that a request names in ``?ship_to=``; of none where it names none.

    Raises NotYourShipTo.
    """

    def __init__(self, request: Request, customer: Customer) -> None:
        code = request.query_params.get("ship_to", "")
        self._code = code
        self._book = (
            RuleBook.read(ship_to=own_ship_to(customer=customer, code=code)) if code else None
        )

    def of(self, strain: Strain, on: date) -> dict[str, Any] | None:
        """What the rules say of a strain that ships on a day, as the order's check will say it."""
        if self._book is None:
            return None
        judged = self._book.judge(strain=strain, on=on)
        return {
            "ship_to": self._code,
            "verdict": judged.verdict,
            "code": judged.code or None,
            "reason": judged.reason or None,
        }

"""The farm's three weeks of short listings, and small builders of asks for the share tests."""

from datetime import UTC, datetime, timedelta
from zoneinfo import ZoneInfo

from orders.calc.sharing import Ask

# Order -> customer and when it was sent, farm time.
SENT = {
    "4901": ("C01", "11-25 15:10"),
    "4902": ("C02", "11-25 14:22"),
    "4903": ("C03", "11-26 09:05"),
    "4904": ("C04", "11-27 10:40"),
    "4905": ("C05", "11-25 16:30"),
    "4906": ("C06", "11-28 11:12"),
    "4907": ("C07", "11-27 12:45"),
    "4908": ("C08", "11-25 14:05"),
    "4910": ("C10", "11-25 14:01"),
    "4913": ("C11", "11-26 10:30"),
    "4914": ("C12", "11-29 20:02"),
    "5001": ("C01", "12-04 16:02"),
    "5002": ("C02", "12-04 14:10"),
    "5003": ("C03", "12-05 09:00"),
    "5004": ("C04", "12-04 15:20"),
    "5005": ("C05", "12-06 21:40"),
    "5006": ("C06", "12-04 14:44"),
    "5007": ("C07", "12-07 08:15"),
    "5008": ("C08", "12-04 14:03"),
    "5009": ("C10", "12-04 14:01"),
    "5101": ("C01", "12-11 15:30"),
    "5102": ("C02", "12-11 14:20"),
    "5103": ("C03", "12-12 09:12"),
    "5104": ("C04", "12-11 16:00"),
    "5105": ("C06", "12-11 14:32"),
    "5107": ("C08", "12-11 14:06"),
    "5108": ("C10", "12-11 14:01"),
    "5109": ("C11", "12-11 17:45"),
    "5110": ("C12", "12-14 09:40"),
}
TIERS = {"C02": 2, "C04": 2, "C08": 2, "C11": 2, "C10": 3}
BY_THE_DOZEN = {"4910", "5009", "5108"}

# Worked figures of the farm: listing, can promise, order -> asked, then what each rule gives in
# order-number sequence.
SHORT_LISTINGS = [
    (
        "W49 APT base",
        29,
        {"4901": 4, "4902": 6, "4906": 4, "4907": 6, "4908": 8, "4910": 12, "4913": 6},
        {
            "mixed": [2, 3, 2, 3, 4, 12, 3],
            "first_come": [3, 6, 0, 0, 8, 12, 0],
            "equal": [3, 3, 2, 3, 3, 12, 3],
            "proportional": [3, 4, 3, 4, 6, 0, 4],
        },
    ),
    (
        "W49 PLT plug",
        56,
        {
            "4901": 8,
            "4902": 12,
            "4903": 6,
            "4904": 12,
            "4905": 10,
            "4907": 6,
            "4908": 10,
            "4910": 24,
        },
        {
            "mixed": [6, 8, 4, 8, 7, 4, 7, 12],
            "first_come": [8, 12, 0, 0, 2, 0, 10, 24],
            "equal": [6, 7, 6, 6, 6, 6, 7, 12],
            "proportional": [6, 8, 4, 8, 7, 4, 7, 12],
        },
    ),
    (
        "W49 PWS plug",
        3,
        {"4903": 3, "4914": 3},
        {"mixed": [2, 1], "first_come": [3, 0], "equal": [2, 1], "proportional": [2, 1]},
    ),
    (
        "W49 RHP base",
        11,
        {"4903": 4, "4904": 4, "4907": 3, "4914": 4},
        {
            "mixed": [3, 3, 2, 3],
            "first_come": [4, 4, 3, 0],
            "equal": [3, 3, 3, 2],
            "proportional": [3, 3, 2, 3],
        },
    ),
    (
        "W50 APT base",
        28,
        {"5006": 8, "5007": 6, "5008": 12, "5009": 12},
        {
            "mixed": [5, 4, 7, 12],
            "first_come": [4, 0, 12, 12],
            "equal": [5, 5, 6, 12],
            "proportional": [6, 5, 9, 0],
        },
    ),
    (
        "W50 CTH base",
        9,
        {"5004": 6, "5007": 6},
        {"mixed": [5, 4], "first_come": [6, 3], "equal": [5, 4], "proportional": [5, 4]},
    ),
    (
        "W50 HRT plug",
        73,
        {"5001": 10, "5002": 24, "5003": 12, "5004": 16, "5005": 12, "5008": 12, "5009": 36},
        {
            "mixed": [6, 13, 7, 9, 7, 7, 24],
            "first_come": [0, 24, 0, 1, 0, 12, 36],
            "equal": [10, 10, 10, 10, 10, 11, 12],
            "proportional": [6, 15, 8, 10, 8, 8, 12],
        },
    ),
    (
        "W50 ORG plug",
        7,
        {"5002": 8},
        {"mixed": [7], "first_come": [7], "equal": [7], "proportional": [7]},
    ),
    (
        "W50 PLT plug",
        46,
        {"5003": 10, "5004": 12, "5005": 8, "5009": 36},
        {
            "mixed": [10, 12, 8, 12],
            "first_come": [0, 10, 0, 36],
            "equal": [10, 12, 8, 12],
            "proportional": [7, 9, 6, 24],
        },
    ),
    (
        "W51 BMG prop-10",
        13,
        {"5103": 3, "5104": 4, "5105": 6, "5107": 4, "5110": 2},
        {
            "mixed": [2, 3, 3, 3, 2],
            "first_come": [0, 3, 6, 4, 0],
            "equal": [2, 3, 3, 3, 2],
            "proportional": [2, 3, 4, 3, 1],
        },
    ),
    (
        "W51 PNR base",
        72,
        {
            "5101": 8,
            "5102": 12,
            "5103": 10,
            "5104": 16,
            "5105": 10,
            "5107": 12,
            "5108": 36,
            "5109": 8,
        },
        {
            "mixed": [5, 8, 6, 10, 6, 8, 24, 5],
            "first_come": [2, 12, 0, 0, 10, 12, 36, 0],
            "equal": [8, 9, 8, 9, 9, 9, 12, 8],
            "proportional": [5, 8, 6, 10, 6, 8, 24, 5],
        },
    ),
    (
        "W51 SXT base",
        4,
        {"5109": 6},
        {"mixed": [4], "first_come": [4], "equal": [4], "proportional": [4]},
    ),
]


def farm_asks(asked: dict[str, int]) -> list[Ask]:
    """The lines of one of the farm's listings, as their orders were sent."""
    return [_farm_ask(order, pieces) for order, pieces in asked.items()]


def _farm_ask(order: str, asked: int) -> Ask:
    customer, sent = SENT[order]
    sent_at = datetime.strptime(f"2026-{sent}", "%Y-%m-%d %H:%M")
    unit = 12 if order in BY_THE_DOZEN else 1
    return Ask(
        ref=order,
        order_number=order,
        asked=asked,
        unit=unit,
        tier=TIERS.get(customer, 1),
        sent_at=sent_at.replace(tzinfo=ZoneInfo("America/Chicago")),
        least=unit,
        customer=customer,
    )


def listing_called(name: str) -> tuple[int, list[Ask]]:
    """What there is of a short listing, and its asks."""
    available, asked = next((row[1], row[2]) for row in SHORT_LISTINGS if row[0] == name)
    return available, farm_asks(asked)


def ask(ref: str, asked: int, *, unit=1, tier=1, least=None, minute=None, order=None) -> Ask:
    """A line named by a letter; "a" was sent first, "b" a minute later, unless said otherwise."""
    minutes = ord(ref[0]) - ord("a") if minute is None else minute
    return Ask(
        ref=ref,
        order_number=order or ref,
        asked=asked,
        unit=unit,
        tier=tier,
        sent_at=datetime(2026, 11, 25, 20, tzinfo=UTC) + timedelta(minutes=minutes),
        least=unit if least is None else least,
    )

"""Every operation of the feed as its readers know it: what it takes, answers and refuses.

The table of config/api_description.py and of the page for developers. The tests walk the feed's
addresses, send each example and hold what comes back to the shapes: nothing here can fall behind.
"""

from collections.abc import Mapping
from dataclasses import dataclass, field
from typing import Any

from rest_framework.serializers import Serializer

from inventory.errors import FarmError, ForbiddenMove, Unknown
from inventory.photos import PhotoTooLarge, PhotoUnreadable
from orders import api, api_answers, claiming, hook_api, hooks, intake, rest_api, resting
from orders.changing import ChangeNotRight, ChangeTooLate, OrderChangedSince
from orders.promising import AboveWhatIsLeft
from shipping import arrival_api, arrivals

Refusal = type[FarmError]
READING: tuple[Refusal, ...] = (api_answers.TagNotRight, api_answers.ConditionFailed)
KEYED: tuple[Refusal, ...] = (
    claiming.KeyMissing,
    claiming.KeyHasOtherBody,
    claiming.StillRunning,
)
SHIP_TO = {"ship_to": "one of yours: each line then says whether it may go there"}
KEY = {"Idempotency-Key": "4910-first-try"}


@dataclass(frozen=True)
class Operation:
    """One method at one address. ``path`` is the example's, with names in braces still open."""

    name: str
    method: str
    path: str
    words: str
    answers: str = ""
    status: int = 200
    takes: type[Serializer[Any]] | None = None
    needs: Mapping[str, str] = field(default_factory=dict)
    example: Mapping[str, Any] | None = None
    query: Mapping[str, str] = field(default_factory=dict)
    refuses: tuple[Refusal, ...] = ()
    # Where the answer is no JSON.
    kind: str = ""


OPERATIONS = (
    Operation(
        "api-weeks", "GET", "weeks/",
        "Ship weeks whose list is out, newest first. Follow next to the older ones.",
        "Weeks", query={"before": "an ISO week; the answer goes on below it"},
        refuses=(api.WeekNotReadable, *READING),
    ),
    Operation(
        "api-lines", "GET", "weeks/{week}/lines/",
        "Every line of a week's newest list, priced for you. A line that cannot be had stays here "
        "with its status and reason; shown is frozen with the version, now is what can be had.",
        "Lines", query=SHIP_TO, refuses=(intake.NotYourShipTo, Unknown, *READING),
    ),
    Operation(
        "api-strain", "GET", "strains/{strain}/",
        "One strain: what it is, how its colour stands, and its lines on every open list.",
        "Strain", query=SHIP_TO, refuses=(intake.NotYourShipTo, Unknown, *READING),
    ),
    Operation(
        "api-photo", "GET", "listings/{listing}/photo/",
        "The photo of one listing, a winter look's its own. Lines, strains and rests point here.",
        kind="image/jpeg", refuses=(Unknown, *READING),
    ),
    Operation(
        "api-orders", "POST", "orders/",
        "Send an order. Numbers are sale units; unit 12 takes whole dozens only, least says the "
        "fewest that still do. The same key with the same body is one order, however often.",
        "Order", 201, api.OrderSerializer, KEY,
        {
            "ship_to": "C10a", "week": "2026-W49", "ship_on": "2026-12-01",
            "lines": [{"listing": "PLT plug", "asked": 24, "unit": 12, "least": 12}],
        },
        refuses=(
            *KEYED, intake.OrderNotRight, intake.NothingStands, intake.WeekNotOpen,
            intake.ShipDayNotOffered, intake.NotYourShipTo, Unknown,
        ),
    ),
    Operation(
        "api-order", "GET", "orders/{order}/",
        "One of your orders: what is pencilled or promised of each line and why, and every change.",
        "Order", refuses=(Unknown, *READING),
    ),
    Operation(
        "api-order", "PATCH", "orders/{order}/",
        "Change lines until the cut-off, all rows or none; asked 0 takes a line off, lines that "
        "are not named stay. If-Match is the ETag of the reading you change.",
        "Order", 200, api.ChangeSerializer, {"If-Match": "{etag}"},
        {"lines": [{"listing": "PLT plug", "asked": 12}, {"listing": "MKC plug", "asked": 6}]},
        refuses=(
            api.IfMatchMissing, OrderChangedSince, ChangeNotRight, ChangeTooLate, Unknown, *READING,
        ),
    ),
    Operation(
        "api-rests", "GET", "orders/{order}/rests/",
        "What you are asked about lines whose strain went out of colour, with the choices you "
        "have. An order's rests points here while an answer is wanted.",
        "Questions", refuses=(Unknown, *READING),
    ),
    Operation(
        "api-rest", "GET", "orders/{order}/rests/{question}/", "One of these questions.",
        "Question", refuses=(Unknown, *READING),
    ),
    Operation(
        "api-rest", "POST", "orders/{order}/rests/{question}/",
        "Answer it with the name of one of its choices, until answer_by. Without an answer the "
        "line is cancelled: a colour that was not ordered is never sent.",
        "Question", 201, rest_api.AnswerSerializer, KEY, {"choice": "winter"},
        refuses=(
            *KEYED, resting.RestAnswerTooLate, resting.RestChoiceNotOffered, AboveWhatIsLeft,
            Unknown,
        ),
    ),
    Operation(
        "api-arrival", "GET", "orders/{order}/arrival/",
        "Whether an order has arrived, until when to report, and what was reported and credited.",
        "Arrival", refuses=(Unknown, *READING),
    ),
    Operation(
        "api-arrival", "POST", "orders/{order}/arrival/",
        "Report what arrived dead, pale, missing or wrong, in single pieces. With photos send "
        "multipart: this JSON in report, files named bag:LISTING and label.",
        "Report", 201, arrival_api.ReportSerializer, KEY,
        {"lines": [{"listing": "PLT plug", "missing": 1}], "bag_c": 22.5, "text": "one short"},
        refuses=(
            *KEYED, arrivals.NotDeliveredYet, arrivals.ReportNotRight, arrivals.MoreThanSent,
            arrivals.ReportStillOpen, arrivals.PhotoUsedBefore, PhotoUnreadable, PhotoTooLarge,
            Unknown,
        ),
    ),
    Operation(
        "api-hooks", "GET", "hooks/", "The addresses that are called for you.",
        "Hooks", refuses=READING,
    ),
    Operation(
        "api-hooks", "POST", "hooks/",
        "Have an https address called with every event. Its secret is in this answer only.",
        "NewHook", 201, hook_api.HookSerializer, {},
        {"url": "https://hooks.kestrelmoor.example/slackwater"},
        refuses=(hooks.HookAddressNotGood, hooks.HookKnown, hooks.TooManyHooks),
    ),
    Operation(
        "api-hook", "GET", "hooks/{hook}/", "One address, with how many calls wait or were parked.",
        "Hook", refuses=(Unknown, *READING),
    ),
    Operation(
        "api-hook-renew", "POST", "hooks/{hook}/renew/",
        "A new secret, in this answer only. The old one signs beside it for a day.",
        "NewHook", refuses=(Unknown,),
    ),
    Operation(
        "api-hook", "DELETE", "hooks/{hook}/", "Call an address no more.",
        status=204, refuses=(Unknown,),
    ),
    Operation(
        "api-changes", "GET", "changes/?after=0",
        "Your events after a sequence number, oldest first, without a gap: what a call that never "
        "came would have said.",
        "Changes", query={"after": "the last sequence you have, or 0"},
        refuses=(api.AfterNotANumber, *READING),
    ),
    Operation(
        "api-withdraw", "POST", "orders/{order}/withdraw/",
        "Take an order back, before anything of it is picked.",
        "Order", refuses=(OrderChangedSince, ForbiddenMove, Unknown, *READING),
    ),
)  # fmt: skip


def refusals() -> dict[str, Refusal]:
    """Every refusal of the feed's own, by its code."""
    found = {row.code: row for each in OPERATIONS for row in each.refuses}
    return dict(sorted(found.items()))

"""What the feed answers, field by field: one source for its description and for the tests.

A shape is a word for a value ("text?" may be null), a list of one shape, or a dict of fields, all
of them always there. tests/project/test_api_description.py holds every answer of the feed to its
shape, both ways: no field missing, none too many.
"""

from typing import Any

from orders.feeding import FOR_ALL, FOR_ONE

Shape = Any

# word -> JSON Schema of it
WORDS: dict[str, dict[str, Any]] = {
    "text": {"type": "string"},
    "whole": {"type": "integer"},
    "number": {"type": "number"},
    "yes": {"type": "boolean"},
    "money": {"type": "string", "pattern": r"^\d+\.\d\d$"},
    "moment": {"type": "string", "format": "date-time"},
    "day": {"type": "string", "format": "date"},
    "address": {"type": "string", "format": "uri-reference"},
}

NOW = {"status": "text", "shown": "whole", "is_more_than_shown": "yes"}
LAW = {"ship_to": "text", "verdict": "text", "code": "text?", "reason": "text?"}
PHOTO = {"listing": "text", "look": "text", "photo": "address", "photo_on": "day?"}
BACK = {"likely_on": "day", "from_on": "day", "to_on": "day"}
LINE = {
    "listing": "text",
    "strain": "text",
    "form": "text",
    "look": "text",
    "name": "text",
    "taxon": "text",
    "class": "text",
    "level": "whole",
    "status": "text",
    "stop": "text?",
    "reason": "text?",
    "note": "text?",
    "back": ("or null", BACK),
    "price": "money",
    "shown": "whole",
    "is_more_than_shown": "yes",
    "now": ("or null", NOW),
    "law": ("or null", LAW),
    "photo": "address?",
    "unit_pieces": "whole",
    "minimum_line": "whole",
    "needs_gloves_and_goggles": "yes",
}
WEEK = {
    "week": "text",
    "ship_days": ["day"],
    "published_at": "moment",
    "cut_off_at": "moment",
    "is_open": "yes",
    "lines": "address",
}
ORDER_LINE = {
    "listing": "text",
    "asked": "whole",
    "unit": "whole",
    "least": "whole",
    "unit_price": "money",
    "state": "text",
    "code": "text?",
    "reason": "text?",
    "promise": "text?",
    "promised": "whole",
    "sentence": "text?",
}
CHANGE = {"version": "whole", "at": "moment", "by": "text", "from": "text", "words": "text"}
CHOICE = {
    "choice": "text",
    "words": "text",
    "follows": "text",
    "listing": "text?",
    "unit_price": "money?",
    "why_not": "text?",
}
REPORT_LINE = {
    "listing": "text",
    "dead": "whole",
    "pale": "whole",
    "missing": "whole",
    "wrong": "whole",
}
CREDIT = {"state": "text", "amount": "money", "freight": "money", "sentence": "text"}
HOOK = {
    "hook": "whole",
    "url": "address",
    "made_at": "moment",
    "old_secret_until": "moment?",
    "waiting": "whole",
    "parked": "whole",
}
REPORT = {
    "report": "whole",
    "filed_at": "moment",
    "in_time": "yes",
    "state": "text",
    "lines": [REPORT_LINE],
    "photos": "whole",
    "credit": ("or null", CREDIT),
}
QUESTION = {
    "question": "whole",
    "order": "text",
    "listing": "text",
    "units": "whole",
    "unit_price": "money",
    "reason": "text",
    "state": "text",
    "asked_at": "moment",
    "answer_by": "moment",
    "choices": [CHOICE],
    "choice": "text?",
    "settled_at": "moment?",
    "settled_by": "text?",
    "instead": ("or null", {"listing": "text", "unit_price": "money"}),
    "answer": "address",
}
COLOUR = {
    "state": "text",
    "looked_on": "day",
    "rested_on": "day?",
    "returned_on": "day?",
    "back_likely_on": "day?",
    "back_from_on": "day?",
    "back_to_on": "day?",
}

ANSWERS: dict[str, Shape] = {
    "Weeks": {"weeks": [WEEK], "next": "address?"},
    "Lines": {
        "week": "text",
        "version": "whole",
        "published_at": "moment",
        "cut_off_at": "moment",
        "ship_days": ["day"],
        "reason": "text",
        "lines": [LINE],
    },
    "Strain": {
        "strain": "text",
        "name": "text",
        "taxon": "text",
        "class": "text",
        "class_name": "text",
        "level": "whole",
        "sting": "whole",
        "needs_gloves_and_goggles": "yes",
        "cites_appendix": "text?",
        "colour": "text",
        "colour_state": ("or null", COLOUR),
        "listings": [
            {
                "listing": "text",
                "title": "text",
                "look": "text",
                "photo": "address?",
                "photo_on": "day?",
                "photo_light": "text?",
            }
        ],
        "offered": [{"week": "text", "version": "whole", **LINE}],
    },
    "Order": {
        "order": "text",
        "state": "text",
        "week": "text",
        "ship_to": "text",
        "ship_on": "day",
        "sent_at": "moment",
        "version_seen": "whole?",
        "version": "whole",
        "rests": "address?",
        "lines": [ORDER_LINE],
        "changes": [CHANGE],
    },
    "Questions": {"order": "text", "answer_by": "moment", "questions": [QUESTION]},
    "Question": QUESTION,
    "Arrival": {
        "order": "text",
        "state": "text",
        "delivered_at": "moment?",
        "report_by": "moment?",
        "void": "text?",
        "reports": [REPORT],
    },
    "Report": REPORT,
    "Hooks": {"hooks": [HOOK]},
    "Hook": HOOK,
    "NewHook": {**HOOK, "secret": "text"},
    "Changes": {"events": ["event"], "next": "address?"},
}

# event -> what it says, and its fields beside sequence, type and at. A field with "if any" after
# its word is there only where there is something to say.
OF_LINE = {"listing": "text", "strain": "text", "form": "text", "reason": "text"}
OF_ORDER = {"order": "text", "customer": "text", "week": "text", "reason": "text"}
EVENTS: dict[str, tuple[str, dict[str, Shape]]] = {
    "line.rested": (
        "A strain is out of its selling colour. Pause its page, or show its winter look.",
        {
            **OF_LINE,
            "back_likely_on": "day if any",
            "back_from_on": "day if any",
            "back_to_on": "day if any",
            "photos": [PHOTO],
        },
    ),
    "line.returned": ("It is back in colour.", {**OF_LINE, "photos": [PHOTO]}),
    "line.sold_through": ("All of it is promised, or none stands ready any more.", OF_LINE),
    "line.quantity": (
        "Another number can be had of a line now. Told together for changes within half a minute.",
        {
            **OF_LINE,
            "week": "text",
            "status": "text",
            "shown": "whole",
            "is_more_than_shown": "yes",
        },
    ),
    "hold.raised": ("A listing's water is being watched; one event for each listing.", OF_LINE),
    "hold.lifted": ("Its water is clean again.", OF_LINE),
    "list.published": (
        "A list is out, or its next version: read its lines.",
        {"week": "text", "version": "whole", "reason": "text"},
    ),
    "order.promised": ("Your order is promised: read what of it.", OF_ORDER),
    "order.changed": (
        "Your order was changed, by whomever: read it.",
        {**OF_ORDER, "version": "whole"},
    ),
    "shipment.handed_over": (
        "Your order is on the road.",
        {
            "order": "text",
            "customer": "text",
            "shipment": "text",
            "lands_on": "day",
            "tracking": "text",
            "bags": "whole",
            "delivery": "text",
            "report_by": "text",
        },
    ),
    "recall.notice": (
        "Set apart what came from that water, and read the notice.",
        {
            "customer": "text",
            "recall": "text",
            "reason": "text",
            "is_confirmed": "yes",
            "pieces": "whole",
            "shipments": ["text"],
            "strains": ["text"],
        },
    ),
}
assert set(EVENTS) == FOR_ALL | FOR_ONE


def schema_of(shape: Shape) -> dict[str, Any]:
    """A shape as JSON Schema (2020-12, as OpenAPI 3.1 takes it)."""
    if isinstance(shape, str):
        return _word(shape)
    if isinstance(shape, list):
        return {"type": "array", "items": schema_of(shape[0])}
    if isinstance(shape, tuple):
        return {"anyOf": [schema_of(shape[1]), {"type": "null"}]}
    return {
        "type": "object",
        "required": [name for name, inner in shape.items() if not _is_loose(inner)],
        "properties": {name: schema_of(inner) for name, inner in shape.items()},
    }


def _is_loose(shape: Shape) -> bool:
    return isinstance(shape, str) and shape.endswith(" if any")


def _word(word: str) -> dict[str, Any]:
    word = word.removesuffix(" if any")
    if word == "event":
        return {"$ref": "#/components/schemas/Event"}
    found = dict(WORDS[word.removesuffix("?")])
    if word.endswith("?"):
        found["type"] = [found["type"], "null"]
    return found

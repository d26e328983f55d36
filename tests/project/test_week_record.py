"""The record of a week keeps the shape that DEVELOPERS.md promises."""

import json
from io import StringIO

import pytest
from django.core.management import CommandError, call_command

PARTS = ["week", "can_promise", "lines", "shares", "picks", "plans", "credits", "events"]
BOX = {
    "size": str, "bags": int, "water_l": float, "gross_kg": float, "billable_lb": int,
    "packs": int, "base": list, "shifted": list, "late": list,
}  # fmt: skip
SHARE = {
    "asked": int, "promised": int, "sentence": str, "first_come": int, "equal": int,
    "proportional": int,
}  # fmt: skip


def record_of(name):
    out = StringIO()
    call_command("week", name, "--json", stdout=out)
    return json.loads(out.getvalue())


def has_shape(row, shape):
    return all(isinstance(row[key], kind) for key, kind in shape.items())


def test_the_record_has_its_parts_in_their_shapes(arrived_farm):
    record = record_of("2026-W49")

    assert list(record) == PARTS
    for listing in record["can_promise"].values():
        assert isinstance(listing["total"], int)
        assert all(isinstance(term["pieces"], int) and term["why"] for term in listing["terms"])
    assert record["can_promise"]["RMG prop-10"]["terms"][0]["packs"] == 12
    assert set(record["lines"][0]) >= {"version", "listing", "status", "reason", "price"}
    for shares in record["shares"].values():
        assert all(has_shape(row, SHARE) for row in shares["orders"].values())
    assert set(record["picks"][0]) >= {
        "day", "sheet", "stop", "tray", "order", "listing", "pieces",
    }  # fmt: skip
    for plan in record["plans"].values():
        assert set(plan) >= {"delivery", "verdict", "goods", "freight", "boxes_and_packs", "total"}
        assert all(has_shape(box, BOX) for box in plan["boxes"])
    assert record["credits"][0]["amount"] == "44.16"
    assert set(record["events"][0]) >= {"client", "sequence", "type", "listing", "at", "reason"}


def test_terms_of_a_published_listing_sum_to_its_total(arrived_farm):
    for name, listing in record_of("2026-W49")["can_promise"].items():
        packs = [term["packs"] for term in listing["terms"] if "packs" in term]
        pieces = sum(term["pieces"] for term in listing["terms"])
        assert listing["total"] == (sum(packs) if packs else pieces), name


def test_a_week_not_yet_published_is_live_with_its_gross(arrived_farm):
    listing = record_of("2026-W50")["can_promise"]["PLT plug"]

    assert listing["gross"] == 102
    assert listing["total"] < listing["gross"]


@pytest.mark.django_db
def test_an_unknown_week_is_named():
    with pytest.raises(CommandError, match="There is no ship week 2026-W77"):
        record_of("2026-W77")

"""The edit table of prices: a listing's list price and its break, from a day on.

Call from: config/edit_subjects.py.
"""

from collections.abc import Sequence
from datetime import date, datetime
from decimal import Decimal
from typing import ClassVar

from config.edit_fields import Field, maybe, money, whole
from config.editing import Edit, RowWords, Subject, Touched, Values
from inventory.clock import farm_today
from inventory.errors import Unknown
from inventory.models import Listing
from inventory.setting_book import SettingBook
from orders.calc.pricing import winter_list_price
from orders.listing import prices_on
from orders.models import Line, Price
from orders.pricing import lists_that_read_prices, set_price

MONEY = money(least="0.01")


class Prices(Subject):
    key = "prices"
    title = "Prices"
    one = "price"
    intro = "Tier 1 pays the list price; tiers 2 and 3 pay a share of it, a setting."
    columns: ClassVar[tuple[str, ...]] = ("list price, $", "break, $", "since", "next")
    right = "edit_prices"
    has_start = True
    keeps_days = True
    moves_lists = True

    def fields(self, row: Listing) -> Sequence[Field]:
        return (
            Field("list_price", "List price", MONEY, "$ a unit", _usual_words(row)),
            Field(
                "break_units", "Break from", maybe(whole(least=2, most=9999)), "units in one line",
                "empty where there is no break",
            ),
            Field(
                "break_price", "Break price", maybe(MONEY), "$ a unit",
                "for every tier whose own price is higher",
            ),
        )  # fmt: skip

    def rows(self, *, on: date) -> Sequence[RowWords]:
        prices, coming = prices_on(on=on), _coming(on)
        found = []
        for listing in Listing.objects.select_related("strain_form__strain__strain_class"):
            price = prices.get(listing.pk)
            cells = _cells(price) if price else ("", "", "no price yet")
            found.append(
                RowWords(
                    key=listing.name,
                    name=f"{listing.name} {listing.title}",
                    cells=(*cells, coming.get(listing.pk, "")),
                    group=listing.strain_form.strain.strain_class.name,
                )
            )
        return found

    def find(self, key: str) -> Listing:
        row = Listing.objects.filter(name=key).first()
        if row is None:
            raise Unknown(kind="listing", name=key[:60])
        return row

    def name_of(self, row: Listing) -> str:
        return row.name

    def heading(self, row: Listing) -> str:
        return f"{row.name} {row.title}"

    def values(self, row: Listing, *, on: date) -> Values:
        price = Price.objects.filter(listing=row, starts_on__lte=on).order_by("starts_on").last()
        return {
            "list_price": price.list_price if price else None,
            "break_units": price.break_units if price else None,
            "break_price": price.break_price if price else None,
        }

    def faults(self, row: Listing, values: Values) -> dict[str, str]:
        if (values["break_units"] is None) != (values["break_price"] is None):
            name = "break_units" if values["break_units"] is None else "break_price"
            return {name: "A break needs both its units and its price. Type both or neither."}
        if values["break_price"] is not None and values["break_price"] >= values["list_price"]:
            return {"break_price": "The break is no lower than the list price. Type a lower one."}
        return {}

    def touched(self, row: Listing, *, after: Values, starts_on: date, now: datetime) -> Touched:
        lines = Line.objects.filter(
            listing=row, order__week__closed_at__isnull=True, state=Line.State.OPEN
        )
        kept: Touched = [
            ("order", f"{line.order.number} keeps the price it was sent at, {line.unit_price}")
            for line in lines.select_related("order").order_by("order__number")
        ]
        return [
            *lists_that_read_prices(starts_on=starts_on),
            *kept,
            *_later(row, starts_on),
            *_winter(row, after["list_price"], starts_on),
        ]

    def write(self, row: Listing, edit: Edit) -> Listing:
        set_price(
            listing=row,
            list_price=edit.after["list_price"],
            starts_on=edit.starts_on,
            reason=edit.reason,
            user=edit.user,
            now=edit.now,
            break_units=edit.after["break_units"],
            break_price=edit.after["break_price"],
        )
        return row

    def dated(self, row: Listing) -> Sequence[tuple[date, str]]:
        rows = Price.objects.filter(listing=row).order_by("-starts_on")
        return [(price.starts_on, ", ".join(filter(None, _cells(price)[:2]))) for price in rows]


def _cells(price: Price) -> tuple[str, str, str]:
    has_break = price.break_units is not None
    broken = f"{price.break_price} from {price.break_units} units" if has_break else ""
    return f"{price.list_price}", broken, f"{price.starts_on:%-d %b %Y}"


def _coming(on: date) -> dict[int, str]:
    """The next price of each listing that has one waiting for its day."""
    rows = Price.objects.filter(starts_on__gt=on).order_by("-starts_on")
    return {row.listing_id: f"{row.list_price} from {row.starts_on:%-d %b}" for row in rows}


def _winter_share(on: date) -> Decimal:
    return SettingBook.read(on=on).decimal("winter_share")


def _usual_words(row: Listing) -> str:
    """What is said under the field; of a winter look what the farm usually asks for it."""
    if not row.is_winter:
        return "tier 1 pays it in full"
    on = farm_today()
    summer = prices_on(on=on).get(_look(row, Listing.Look.COLOUR).pk)
    if summer is None:
        return "a winter look has a price of its own"
    share = _winter_share(on)
    usual = winter_list_price(list_price=summer.list_price, factor=share)
    return f"a price of its own; {share} of {summer.list_price} in colour would be {usual}"


def _look(row: Listing, look: str) -> Listing:
    """The same strain-form in another look, or the row itself where there is none."""
    return Listing.objects.filter(strain_form=row.strain_form_id, look=look).first() or row


def _winter(row: Listing, list_price: Decimal, starts_on: date) -> Touched:
    """A winter look keeps its own price: what it would usually be stands beside it."""
    winter = _look(row, Listing.Look.WINTER)
    price = prices_on(on=starts_on).get(winter.pk)
    if winter == row or price is None:
        return []
    usual = winter_list_price(list_price=list_price, factor=_winter_share(starts_on))
    said = f"{winter.name} keeps its own {price.list_price}; its usual share would be {usual}"
    return [("not touched", said)]


def _later(row: Listing, starts_on: date) -> Touched:
    rows = Price.objects.filter(listing=row, starts_on__gt=starts_on).order_by("starts_on")
    return [
        ("not touched", f"{price.list_price} from {price.starts_on:%-d %b %Y} stands as it was set")
        for price in rows
    ]

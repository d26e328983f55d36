"""The edit table of the calendar: days on which nothing is delivered.

Call from: config/edit_subjects.py.
"""

from datetime import date, datetime, timedelta
from typing import Any, ClassVar

from config.edit_fields import Field, day, maybe, region, tick, words
from config.edit_rows import UNDER_WAY, RowSubject
from config.editing import Edit, Touched, Values
from inventory.errors import Unknown
from orders.calc.weeks import day_text
from orders.models import NoDeliveryDay, Order, ShipWeek
from orders.weeks import redraw_weeks


class Calendar(RowSubject):
    key = "calendar"
    title = "Calendar"
    one = "no-delivery day"
    intro = "Days without delivery. Ship days, publish hour and cut-off are drawn from them."
    columns: ClassVar[tuple[str, ...]] = ("where", "why", "")
    right = "edit_calendar"
    model = NoDeliveryDay
    known_by = "day"
    table: ClassVar[tuple[Field, ...]] = (
        Field("day", "Day", day, "", "the day on which nothing is delivered", "date",
              is_for_new=True),
        Field("region", "Only in the region", maybe(region), "", "empty: everywhere",
              is_for_new=True),
        Field("reason", "Why nothing is delivered", words(120, is_needed=True), "",
              "such as: public holiday"),
        Field("is_delivered", "Delivered after all: take the day off the calendar", tick, "", "",
              "tick"),
    )  # fmt: skip

    def key_of(self, row: NoDeliveryDay) -> str:
        return f"{row.day}:{row.region}" if row.region else f"{row.day}"

    def name_of(self, row: NoDeliveryDay) -> str:
        return f"{row.day} {row.region}".strip()

    def find(self, key: str) -> NoDeliveryDay:
        typed, _, where = key.partition(":")
        try:
            on = date.fromisoformat(typed)
        except ValueError:
            raise Unknown(kind="no-delivery day", name=key[:30]) from None
        row = NoDeliveryDay.objects.filter(day=on, region=where).first()
        if row is None:
            raise Unknown(kind="no-delivery day", name=key[:30])
        return row

    def words(self, row: NoDeliveryDay) -> str:
        return f"{day_text(row.day)} {row.day.year}"

    def cells(self, row: NoDeliveryDay, *, on: date) -> tuple[str, ...]:
        return (row.region or "everywhere", row.reason, "past" if row.day < on else "")

    def value(self, row: NoDeliveryDay, name: str) -> Any:
        return False if name == "is_delivered" else super().value(row, name)

    def put(self, row: NoDeliveryDay, name: str, value: Any, edit: Edit) -> None:
        if name != "is_delivered":
            setattr(row, name, value or "" if name == "region" else value)

    def faults(self, row: NoDeliveryDay | None, values: Values) -> dict[str, str]:
        if row is None and values["is_delivered"]:
            return {"is_delivered": "A new day cannot be taken off. Leave this empty."}
        known = NoDeliveryDay.objects.filter(
            day=values.get("day"), region=values.get("region") or ""
        )
        if row is None and known.exists():
            return {"day": "That day stands in the calendar already. Open it from the list."}
        return {}

    def written(self, row: NoDeliveryDay, edit: Edit) -> None:
        if edit.after["is_delivered"]:
            row.delete()
        if not row.region:
            redraw_weeks(around=row.day)

    def touched(
        self, row: NoDeliveryDay | None, *, after: Values, starts_on: date, now: datetime
    ) -> Touched:
        on = row.day if row is not None else after["day"]
        where = row.region if row is not None else after["region"] or ""
        if row is not None and not after["is_delivered"]:
            return [("words", "shown on refusals of that day")]
        found: Touched = []
        for week in ShipWeek.objects.filter(
            monday__range=(on - timedelta(days=7), on + timedelta(days=7))
        ):
            if week.published_at is not None:
                found.append(("week", f"{week.name} is out: its ship days and cut-off stay"))
            elif not where:
                found.append(("week", f"{week.name} is not out yet: its days are drawn anew"))
        orders = Order.objects.filter(
            state__in=UNDER_WAY, ship_on=on - timedelta(days=1)
        ).select_related("ship_to")
        if where:
            orders = orders.filter(ship_to__region=where)
        said = "may be handed over" if row is not None else "cannot be handed over: move its day"
        found += [
            ("order", f"{order.number}, ships {day_text(order.ship_on)}, arrives that day: {said}")
            for order in orders.order_by("number")
        ]
        return found

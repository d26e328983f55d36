"""Play the demo farm's weeks: every row of its files at its own time, through the service's own hops.

Call from: management command `demo`, tests. Each event moves the demo clock, does one thing as the
person who would do it, and then calls tick(), as a live farm's loop does.
"""

import csv
import io
from collections.abc import Callable, Iterator
from dataclasses import dataclass
from datetime import date, datetime
from decimal import Decimal
from pathlib import Path
from zoneinfo import ZoneInfo

from django.conf import settings
from PIL import Image, ImageDraw

from config.ticking import tick
from inventory.clock import farm_now, move_clock
from inventory.holds import look_at_hold, raise_hold
from inventory.models import Hold, User
from inventory.walking import Note, take_note
from orders.calc.weeks import week_monday
from orders.exporting import tick_export
from orders.intake import Asked, confirm_line, send_order
from orders.models import Line, Order, Seat, ShipTo, ShipWeek
from orders.sharing import ink_promises, share_out
from orders.weeks import open_week, week_named
from shipping.arrivals import Arrived, Photo, file_report
from shipping.bagging import tie_bags
from shipping.clearing import plan_week
from shipping.handing_over import hand_over, mark_delivered
from shipping.keying import key_in
from shipping.models import Forecast, PickSheet, Shipment
from shipping.picking import draw_sheets
from shipping.sealing import put_in_boxes, seal_box

IN_PICK_OR_LATER = ("in pick", "packed")


@dataclass(frozen=True, slots=True)
class Event:
    """Something that happens at a time. ``words`` say it as it happens."""

    at: datetime
    rank: int
    words: str
    act: Callable[[datetime], str | None]


def zone() -> ZoneInfo:
    return ZoneInfo(settings.FARM_TIME_ZONE)


def rows_of(folder: Path, file: str) -> Iterator[dict[str, str]]:
    """The rows of one of the demo's files."""
    text = (folder / file).read_text(encoding="utf-8")
    yield from csv.DictReader(io.StringIO(text))


def _moment(text: str) -> datetime:
    return datetime.fromisoformat(text).replace(tzinfo=zone())


def _person(code: str) -> User:
    return User.objects.get(code=code)


def open_weeks(*, folder: Path) -> list[ShipWeek]:
    """The ship weeks that the demo's orders name, made from the calendar."""
    mondays = {
        week_monday(date.fromisoformat(row["ship_day"])) for row in rows_of(folder, "orders.csv")
    }
    return [
        open_week(monday=monday, farm_zone=settings.FARM_TIME_ZONE) for monday in sorted(mondays)
    ]


def events(*, folder: Path, scene: str = "main") -> list[Event]:
    """Every event of the demo in time order."""
    found: list[Event] = []
    found += [_note_event(row) for row in rows_of(folder, "walk_notes.csv")]
    found += [_hold_event(row) for row in rows_of(folder, "holds.csv")]
    found += [_look_event(row) for row in rows_of(folder, "hold_looks.csv")]
    found += _order_events(folder)
    found += [
        _forecast_event(row)
        for row in rows_of(folder, "forecasts.csv")
        if row["scene"] in ("main", scene)
    ]
    found += [
        Event(week.publish_at, 3, f"the list of {week.name} goes out", lambda now: None)
        for week in ShipWeek.objects.all()
    ]
    found += [_scene_event(row) for row in rows_of(folder, f"scene_{scene}.csv")]
    return sorted(found, key=lambda event: (event.at, event.rank))


def play(
    *,
    folder: Path,
    until: datetime,
    scene: str = "main",
    say: Callable[[Event, str], None] = lambda event, words: None,
) -> int:
    """Play every event after the farm's present time up to ``until``. Returns how many."""
    started_at = farm_now()
    played = 0
    for event in events(folder=folder, scene=scene):
        if not started_at < event.at <= until:
            continue
        move_clock(to=event.at)
        # What was due before this moment is done first: a cut-off passes before the sharing.
        tick(event.at)
        words = event.act(event.at) or event.words
        tick(event.at)
        say(event, words)
        played += 1
    move_clock(to=max(until, farm_now()))
    tick(until)
    return played


def _note_event(row: dict[str, str]) -> Event:
    def act(now: datetime) -> None:
        take_note(note=note_of(row), received_at=now, user=_person(row["who"]))

    return Event(_moment(row["received_at"]), 0, f"{row['who']} looked at {row['place']}", act)


def note_of(row: dict[str, str]) -> Note:
    """A row of walk_notes.csv as the phone would send it."""

    def whole(name: str) -> int | None:
        return int(row[name]) if row[name] else None

    return Note(
        client_id=row["client_id"],
        looked_at=_moment(row["looked_at"]),
        place=row["place"],
        strain=row["strain"],
        cohort=row["cohort"],
        grade=Decimal(row["grade"]) if row["grade"] else None,
        growth=whole("growth"),
        light=row["light"],
        flow=row["flow"],
        is_pest=row["pest"] == "yes",
        sampled_pieces=whole("sampled_pieces"),
        rooted_pieces=whole("rooted_pieces"),
        stalled_min=whole("stalled_min"),
        text=row["text"],
        photo=row["photo"],
    )


def _hold_event(row: dict[str, str]) -> Event:
    def act(now: datetime) -> None:
        raise_hold(
            code=row["hold"],
            scope_kind=row["scope_kind"],
            scope=row["scope"],
            reason=row["reason"],
            grade=row["grade"],
            at=now,
            user=_person(row["raised_by"]),
            needs_looks=int(row["needs_looks"]),
            days_apart=int(row["days_apart"]),
            look_back_days=int(row["look_back_days"]),
        )

    words = f"hold {row['hold']} is raised on {row['scope']}: {row['reason']}"
    return Event(_moment(row["raised_at"]), 1, words, act)


def _look_event(row: dict[str, str]) -> Event:
    def act(now: datetime) -> None:
        hold = Hold.objects.get(code=row["hold"])
        look_at_hold(
            hold=hold, looked_at=now, user=_person(row["who"]), is_clean=row["is_clean"] == "yes"
        )

    return Event(_moment(row["looked_at"]), 1, f"a clean look for hold {row['hold']}", act)


def _order_events(folder: Path) -> list[Event]:
    lines: dict[str, list[dict[str, str]]] = {}
    for row in rows_of(folder, "order_lines.csv"):
        lines.setdefault(row["order"], []).append(row)
    return [_order_event(row, lines[row["order"]]) for row in rows_of(folder, "orders.csv")]


def _order_event(row: dict[str, str], lines: list[dict[str, str]]) -> Event:
    def act(now: datetime) -> str:
        ship_on = date.fromisoformat(row["ship_day"])
        ship_to = ShipTo.objects.select_related("customer").get(code=row["ship_to"])
        seat = Seat.objects.filter(customer=ship_to.customer).first()
        order = send_order(
            customer=ship_to.customer,
            ship_to_code=ship_to.code,
            week=ShipWeek.objects.get(monday=week_monday(ship_on)),
            ship_on=ship_on,
            rows=[
                Asked(
                    listing=line["listing"],
                    asked=int(line["asked"]),
                    unit=int(line["unit"]),
                    least=int(line["least"]),
                )
                for line in lines
            ],
            source=row["source"],
            idempotency_key=f"demo-{row['order']}",
            now=now,
            user=seat.user if seat else None,
            number=row["order"],
        )
        stopped = order.lines.exclude(state=Line.State.OPEN).count()
        more = f", {stopped} lines wait or are refused" if stopped else ""
        return f"order {order.number} from {ship_to}: {len(lines)} lines{more}"

    return Event(_moment(row["placed_at"]), 5, f"order {row['order']}", act)


def _forecast_event(row: dict[str, str]) -> Event:
    def degrees(name: str) -> float | None:
        return float(row[name]) if row[name] else None

    def act(now: datetime) -> None:
        Forecast.objects.update_or_create(
            ship_to=ShipTo.objects.get(code=row["ship_to"]),
            ship_on=date.fromisoformat(row["ship_on"]),
            issued_at=now,
            defaults={
                "source": "file",
                "evening_c": degrees("evening_c"),
                "hub_c": degrees("hub_c"),
                "morning_c": degrees("morning_c"),
                "midday_c": degrees("midday_c"),
            },
        )

    # A scene's own forecast comes after the main one of the same hour and takes its place.
    rank = 2 if row["scene"] == "main" else 3
    return Event(_moment(row["issued_at"]), rank, f"forecast for {row['ship_to']}", act)


def _scene_event(row: dict[str, str]) -> Event:
    act = ACTS[row["what"]]

    def run(now: datetime) -> str | None:
        return act(row, now)

    words = " ".join(filter(None, (row["what"], row["subject"], row["value"])))
    return Event(_moment(row["at"]), 6, words, run)


def _confirm_lines(row: dict[str, str], now: datetime) -> str:
    user = _person(row["who"])
    waiting = Line.objects.filter(state=Line.State.NEEDS_PERSON)
    names = []
    for line in waiting.select_related("order", "listing"):
        confirm_line(line_id=line.pk, user=user, now=now)
        names.append(f"{line.order.number} {line.listing.name}")
    return f"{user.name} confirms {len(names)} lines: {', '.join(names)}"


def _tick_export(row: dict[str, str], now: datetime) -> str:
    user = _person(row["who"])
    tick_export(order_number=row["subject"], kind=row["value"], user=user, now=now)
    return f"{user.name} ticks the {row['value']} of order {row['subject']}"


def _share_out(row: dict[str, str], now: datetime) -> str:
    run = share_out(week=week_named(name=row["subject"]), now=now, user=_person(row["who"]))
    short = run.lines.filter(is_short=True)
    listings = set(short.values_list("line__listing__name", flat=True))
    return f"shared out {row['subject']}: {len(listings)} short listings, {short.count()} lines"


def _ink(row: dict[str, str], now: datetime) -> str:
    inked = ink_promises(week=week_named(name=row["subject"]), now=now, user=_person(row["who"]))
    return f"{inked} promises of {row['subject']} are inked"


def _week_of(row: dict[str, str]) -> tuple[ShipWeek, date]:
    ship_on = date.fromisoformat(row["subject"])
    return ShipWeek.objects.get(monday=week_monday(ship_on)), ship_on


def _plan(row: dict[str, str], now: datetime) -> str:
    week, ship_on = _week_of(row)
    plans = plan_week(
        week=week, now=now, user=_person(row["who"]), ship_on=ship_on, stage=row["value"],
        is_final=row["value"].endswith("05:30"),
    )
    verdicts = [plan.verdict for plan in plans]
    counted = ", ".join(
        f"{verdicts.count(word)} {word}" for word in ("clear", "care", "stop") if word in verdicts
    )
    return f"{row['value']}: {len(plans)} pack plans for {ship_on:%a %-d %b}, {counted}"


def _draw(row: dict[str, str], now: datetime) -> str:
    week, ship_on = _week_of(row)
    sheets = draw_sheets(week=week, ship_on=ship_on, now=now, user=_person(row["who"]))
    pieces = sum(sheet.checksum_pieces for sheet in sheets)
    return f"{len(sheets)} pick sheets for {ship_on:%a %-d %b}, {pieces} pieces"


def _key_in(row: dict[str, str], now: datetime) -> str:
    _, ship_on = _week_of(row)
    sheets = PickSheet.objects.filter(ship_on=ship_on, state__in=["drawn", "printed"])
    for sheet in sheets:
        key_in(stamp=sheet.stamp, rows=[], user=_person(row["who"]), now=now)
    return f"{len(sheets)} sheets keyed in"


def _orders_on(row: dict[str, str], *states: str) -> list[Order]:
    _, ship_on = _week_of(row)
    return list(Order.objects.filter(ship_on=ship_on, state__in=states).order_by("number"))


def _tie(row: dict[str, str], now: datetime) -> str:
    count = 0
    for order in _orders_on(row, "in pick"):
        bags = tie_bags(
            order=order, now=now, user=_person(row["who"]), has_gloves=True, has_goggles=True
        )
        count += len(bags)
    return f"{count} bags tied"


def _seal(row: dict[str, str], now: datetime) -> str:
    count = 0
    user = _person(row["who"])
    for order in _orders_on(row, *IN_PICK_OR_LATER):
        shipment = Shipment.objects.get(order=order)
        for box in put_in_boxes(shipment=shipment, user=user):
            seal_box(
                box=box, gross_kg=planned_kg(box), has_holes=True, has_lid_photo=True,
                user=user, now=now,
            )
            count += 1
    return f"{count} boxes filled, weighed and sealed"


def planned_kg(box):  # type: ignore[no-untyped-def]
    """What the scale shows in the demo: the bags, the box and its fill."""
    bags = sum((bag.kind.mass_kg for bag in box.bags.select_related("kind")), Decimal(0))
    return bags + box.kind.tare_kg + Decimal("0.3")


def _hand_over(row: dict[str, str], now: datetime) -> str:
    orders = _orders_on(row, *IN_PICK_OR_LATER)
    for order in orders:
        hand_over(
            shipment=Shipment.objects.get(order=order), user=_person(row["who"]), now=now,
            tracking=f"SW{order.number}",
        )
    return f"{len(orders)} shipments are on the truck"


def _deliver(row: dict[str, str], now: datetime) -> str:
    orders = _orders_on(row, "on the road")
    for order in orders:
        is_depot = Shipment.objects.get(order=order).delivery == "depot"
        mark_delivered(
            shipment=Shipment.objects.get(order=order), at=now,
            collected_at=now if is_depot else None,
        )
    return f"{len(orders)} shipments are delivered"


def _report(row: dict[str, str], now: datetime) -> str:
    order = Order.objects.get(number=row["subject"])
    rows, photos = [], [Photo(kind="label", listing=None, content=drawn_photo("box label", 0),
                              name="label.jpg")]
    for part in row["value"].split(","):
        count, _, listing = part.strip().partition(" dead ")
        rows.append(Arrived(listing=listing, dead=int(count)))
        photos += [
            Photo(kind="bag", listing=listing, content=drawn_photo(listing, index + 1),
                  name=f"bag-{index + 1}.jpg")
            for index in range(int(count))
        ]
    report = file_report(
        order=order, rows=rows, photos=photos, filed_at=now, user=_person(row["who"])
    )
    return f"order {order.number} reports {row['value']}: {report.credit.sentence}"


def drawn_photo(words: str, number: int) -> bytes:
    """A drawn stand-in for a photo of a bag: the demo has no camera."""
    picture = Image.new("RGB", (640, 480), (214, 226, 222))
    draw = ImageDraw.Draw(picture)
    draw.rounded_rectangle((180, 60, 460, 440), radius=40, outline=(10, 79, 74), width=6)
    draw.line((180, 250, 460, 250), fill=(10, 79, 74), width=3)
    draw.ellipse((270 + 9 * number, 290, 370 + 9 * number, 390), fill=(125, 102, 84))
    draw.text((200, 90), f"{words} {number or ''}", fill=(23, 33, 31))
    stream = io.BytesIO()
    picture.save(stream, "JPEG", quality=80)
    return stream.getvalue()


ACTS: dict[str, Callable[[dict[str, str], datetime], str | None]] = {
    "confirm lines": _confirm_lines,
    "tick export": _tick_export,
    "share out": _share_out,
    "ink promises": _ink,
    "plan boxes": _plan,
    "draw sheets": _draw,
    "key in sheets": _key_in,
    "tie bags": _tie,
    "seal boxes": _seal,
    "hand over": _hand_over,
    "deliver": _deliver,
    "report arrival": _report,
    "end": lambda row, now: "the demo's week has run",
}

"""Play the demo farm's weeks: every row of its files at its own time, through the hops.

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

from config.scene_acts import ACTS, person
from config.ticking import tick
from inventory.clock import farm_now, move_clock
from inventory.holds import look_at_hold, raise_hold
from inventory.models import Hold, User
from inventory.people import Role
from inventory.walking import Note, take_note
from orders.calc.weeks import week_monday
from orders.intake import Asked, send_order
from orders.list_guard import fault_words, faults_now, mark_of, sign_list
from orders.models import Line, Seat, ShipTo, ShipWeek
from orders.weeks import open_week
from shipping.models import Forecast


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
    found += [_sign_event(week) for week in ShipWeek.objects.all()]
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


def _sign_event(week: ShipWeek) -> Event:
    """The office signs what is old or missing on a list, at the hour at which it goes out."""

    def act(now: datetime) -> str | None:
        faults = faults_now(week=week, now=now)
        office = User.objects.filter(role=Role.OFFICE).order_by("code").first()
        if not faults or office is None:
            return None
        sign_list(week=week, mark=mark_of(week, faults), now=now, user=office)
        return f"{office.name} signs the list of {week.name}: {fault_words(faults)}"

    return Event(week.publish_at, 2, f"the list of {week.name} is looked at", act)


def _note_event(row: dict[str, str]) -> Event:
    def act(now: datetime) -> None:
        take_note(note=note_of(row), received_at=now, user=person(row["who"]))

    return Event(_moment(row["received_at"]), 0, f"{row['who']} looked at {row['place']}", act)


def note_of(row: dict[str, str]) -> Note:
    """A row of walk_notes.csv as the phone would send it."""

    def whole(name: str) -> int | None:
        return int(row[name]) if row.get(name) else None

    return Note(
        client_id=row["client_id"],
        looked_at=_moment(row["looked_at"]),
        place=row["place"],
        strain=row["strain"],
        cohort=row["cohort"],
        grade=Decimal(row["grade"]) if row["grade"] else None,
        polyp=whole("polyp"),
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
            user=person(row["raised_by"]),
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
            hold=hold, looked_at=now, user=person(row["who"]), is_clean=row["is_clean"] == "yes"
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
        said = "1 line waits or is refused" if stopped == 1 else f"{stopped} wait or are refused"
        more = f", {said}" if stopped else ""
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

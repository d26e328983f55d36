"""Job story A5 as a scene: Fen Kiln goes out of colour with inked promises on it."""

from datetime import date

from django.conf import settings
from tests_support import farm_time

from config import playing
from config.loading import load_farm
from config.ticking import tick
from inventory.clock import move_clock, start_demo_clock
from inventory.models import User
from inventory.walking import take_note
from orders.intake import Asked, send_order
from orders.listing import publish_list
from orders.models import Customer
from orders.sharing import ink_promises, share_out
from orders.weeks import open_week

SHARED = farm_time("2026-11-09 13:00")
INKED = farm_time("2026-11-09 14:30")
RESTED = farm_time("2026-11-09 15:10")
SHIP_ON = date(2026, 11, 11)


def play_autumn(folder, *, also=()):
    """4 KLN inked for C07 and 3 for C05 on Mon 9 Nov, to leave on Wed 11 Nov.

    ``also`` are further rows of C05, of whose order nothing else is left when the strain rests.
    """
    load_farm(folder=folder, now=farm_time("2026-11-25 09:00"))
    start_demo_clock(at=farm_time("2026-10-01 00:00"))
    for note, who in looks(folder):
        if note.looked_at < farm_time("2026-11-08 00:00"):
            take_note(note=note, received_at=note.looked_at, user=User.objects.get(code=who))
    week = open_week(monday=date(2026, 11, 9), farm_zone=settings.FARM_TIME_ZONE)
    publish_list(week=week, now=farm_time("2026-11-06 14:00"))
    week.refresh_from_db()
    send("C07", week, Asked("KLN plug", 4), Asked("CSC plug", 8))
    send("C05", week, Asked("KLN plug", 3), *also)
    for at in (SHARED, INKED):
        move_clock(to=at)
        tick(at)
        (share_out if at == SHARED else ink_promises)(week=week, now=at)
    tick(INKED)


def looks(folder):
    """The looks at KLN of the demo's walk (job table 7.5), oldest first."""
    rows = [row for row in playing.rows_of(folder, "walk_notes.csv") if row["strain"] == "KLN"]
    return [(playing.note_of(row), row["who"]) for row in rows]


def send(code, week, *rows):
    send_order(
        customer=Customer.objects.get(code=code), ship_to_code=code, week=week, ship_on=SHIP_ON,
        rows=rows, source="page", idempotency_key=f"autumn {code}",
        now=farm_time("2026-11-06 15:00"),
    )  # fmt: skip


def rest(folder, at=RESTED):
    """The second low look, of Mon 9 Nov 07:36, comes from a phone that was off until ``at``."""
    move_clock(to=at)
    for note, who in looks(folder):
        if note.looked_at.date() == date(2026, 11, 9):
            take_note(note=note, received_at=at, user=User.objects.get(code=who))
    tick(at)

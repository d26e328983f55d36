"""Where a look matters most today: short and old counts, turning colours, trays to grade, holds."""

from datetime import date, timedelta
from decimal import Decimal

from tests_support import farm_time

from inventory.clock import farm_now
from inventory.looking_first import haircut_pieces, look_first
from inventory.models import Balance, StrainForm
from inventory.setting_book import SettingBook
from inventory.standing import read_stock
from inventory.walking import Note, count_tray, take_note
from orders.shortness import open_list_week, short_strain_forms

TUESDAY = date(2026, 12, 1)


def form_id(key):
    strain, form = key.split()
    return StrainForm.objects.get(strain__key=strain, form__key=form).pk


def test_a_recount_of_t2_1_gives_two_pieces_back(farm):
    """job.md 6, item 15: "recount T2.1: +2 likely": 34 counted 24 Nov, 34 x (1 - 7 x .005) = 32.8,
    32 relied on for Tue 1 Dec."""
    stock = read_stock(strain_form_ids=[form_id("PLT plug")])[0]
    row = next(row for row in stock.trays if row.tray == "T2.1")
    book = SettingBook.read(on=date(2026, 11, 25))

    assert haircut_pieces(row=row, stock=stock, ship_on=TUESDAY, book=book) == 2
    first = look_first(now=farm_now(), ship_on=TUESDAY, missing_pieces={form_id("PLT plug"): 5})
    words = {place.place: place.words for place in first}
    assert words["T2.1"].startswith("recount T2.1: +2 likely, 34 PLT plug counted on 24 Nov")
    assert "5 more PLT plug are asked for than are left" in words["T2.1"]


def test_six_places_at_most_each_named_once(farm):
    first = look_first(now=farm_now(), ship_on=TUESDAY)

    assert 1 <= len(first) <= 6
    assert len({row.place for row in first}) == len(first)
    assert [row.weight for row in first] == sorted((row.weight for row in first), reverse=True)


def test_a_lot_about_ready_is_named_for_its_grade(farm):
    """PLT of T2.2, cut 6 Oct: P50 on 26 Nov (job.md 4.2)."""
    words = {row.place: row.words for row in look_first(now=farm_now(), ship_on=TUESDAY)}

    assert words["T2.2"].startswith("62 PLT plug ready about 26 Nov: grade them")


def test_a_strain_one_look_from_resting_is_named(farm, person):
    tray = Balance.objects.filter(strain_form__strain__key="CPA", pieces__gt=0)[0].tray
    # 2.0, then 1.5 gives 1.75: the first low look; one more rests it.
    for day, grade in ((2, "2"), (6, "1.5")):
        at = farm_time(f"2026-11-{day:02} 08:00")
        note = Note(
            client_id=f"l{day}", looked_at=at, place=tray.code, strain="CPA", grade=Decimal(grade)
        )
        take_note(note=note, received_at=at, user=person("G1"))
    found = [row.words for row in look_first(now=farm_now(), ship_on=TUESDAY)]

    assert "CPA: one more low look rests the listing" in found


def test_a_count_that_waits_and_a_hold_whose_look_is_due_come_first(farm, person):
    at = farm_now()
    count_tray(
        tray_code="T2.1", pieces=44, looked_at=at, received_at=at, user=person("G1"), client_id="up"
    )  # fmt: skip
    assert look_first(now=at, ship_on=TUESDAY)[0].place == "T2.1"
    friday = look_first(now=at + timedelta(days=2), ship_on=TUESDAY)

    assert [row.place for row in friday[:2]] == ["P1", "T2.1"]
    assert "look 1 of 3" in friday[0].words


def test_short_strain_forms_are_those_asked_for_beyond_what_is_left(closed_farm):
    week = open_list_week(now=farm_now())
    short = short_strain_forms(week=week, now=farm_now())

    # job.md 7.9: 88 PLT plug asked.
    assert week.name == "2026-W49"
    assert short[form_id("PLT plug")].asked_pieces == 88
    assert all(row.missing_pieces > 0 for row in short.values())

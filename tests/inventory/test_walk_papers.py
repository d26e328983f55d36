"""Walk cards, tray marks, and a card keyed in: the same order, the same notes, once."""

import re
from io import BytesIO

import pytest
from django.test import Client
from pypdf import PdfReader
from tests_support import page_words

from inventory.clock import farm_now
from inventory.models import Balance, ColourState, Count, KeptAside, WalkNote
from inventory.printing import MODULE_MM, QUIET_MODULES
from inventory.walk_papers import NothingToPrint, tray_marks, tray_marks_pdf, walk_cards_pdf
from inventory.walk_rows import walk_troughs

BASE = "https://farm.example"


@pytest.fixture
def door(person):
    def open_door(code):
        browser = Client()
        browser.force_login(person(code), backend="django.contrib.auth.backends.ModelBackend")
        return browser

    return open_door


def words_of(pdf):
    return [page.extract_text() for page in PdfReader(BytesIO(pdf)).pages]


def test_a_card_names_every_tray_in_walking_order(farm):
    text = "\n".join(words_of(walk_cards_pdf(now=farm_now())))
    order = [row.code for row in walk_troughs()]
    printed = re.findall(r"^\s*([A-Z](?:\d|S))\s+looked, all well", text, flags=re.M)

    # The head of a trough stands again where its trays run on to the next page.
    assert list(dict.fromkeys(printed)) == order
    standing = Balance.objects.filter(pieces__gt=0).values_list("tray__code", flat=True)
    assert [code for code in standing if code not in text] == []
    assert "GLOVES, GOGGLES" in text and "ON HOLD HD-1" in text


def test_cards_of_one_system_and_of_none(farm):
    text = "\n".join(words_of(walk_cards_pdf(now=farm_now(), system="T")))

    assert "T2.1" in text and "A1.1" not in text
    with pytest.raises(NothingToPrint, match="system X"):
        walk_cards_pdf(now=farm_now(), system="X")


def test_a_mark_opens_the_walk_at_its_tray_and_can_be_scanned_wet(farm):
    """ISO/IEC 18004: four quiet modules; module at least 0.75 mm, common practice."""
    marks = tray_marks(base=f"{BASE}/", system="T")
    mark = next(mark for mark in marks if mark.code == "T2.1")

    assert mark.address == "https://farm.example/t/T2.1/"
    modules = round(mark.qr.side_mm / MODULE_MM)
    # Versions of a QR code have 21, 25, 29 ... modules a side.
    assert (modules - 2 * QUIET_MODULES - 21) % 4 == 0
    assert MODULE_MM >= 0.75 and QUIET_MODULES == 4
    pages = words_of(tray_marks_pdf(base=BASE, system="T"))
    assert all(mark.code in "\n".join(pages) for mark in marks)
    assert len(pages) == -(-len(marks) // 20)


def key(browser, **boxes):
    boxes = {name.replace("_", "-"): value for name, value in boxes.items()}
    form = {"walker": "G2", "day": "2026-11-25", "time": "07:00", **boxes}
    return browser.post("/walk/keying/", form, follow=True)


CARD = {
    "looked-A1": "on",
    "grade-A1-KLN": "1,5",
    "at-T2": "07:40",
    "light-T2": "too much",
    "text-T2": "film on the glass",
    "count-T2.1": "33",
    "dead-T2.1": "1",
    "ready-T2.2": "on",
}


def test_a_card_is_keyed_in_for_its_walker_once(farm, door):
    office = door("OF")
    assert "T2.1 now" in office.get("/walk/keying/").content.decode()
    first = key(office, **CARD).content.decode()
    again = key(office, **CARD).content.decode()

    assert "7 notes of the card are in." in first and "7 notes of the card are in." in again
    assert Balance.objects.get(tray__code="T2.1").pieces == 32
    count = Count.objects.get()
    assert (count.user.code, count.keyed_by.code) == ("G2", "OF")
    assert WalkNote.objects.filter(keyed_by__code="OF").count() == 6
    assert ColourState.objects.get(strain__key="KLN").looked_on.isoformat() == "2026-11-25"
    assert Balance.objects.get(tray__code="T2.2").lot.state == "ready"


def test_a_refused_box_keeps_what_was_typed_and_the_others_are_in(farm, door):
    page = page_words(key(door("OF"), **CARD | {"count-T2.1": "80", "grade-A1-KLN": "7"}))

    assert "2 boxes need a word" in page and "it has 72 positions" in page
    assert 'name="count-T2.1" inputmode="numeric" aria-label="T2.1 now" value="80"' in page
    assert 'name="dead-T2.1" inputmode="numeric" aria-label="T2.1 dead" value=""' in page
    assert Balance.objects.get(tray__code="T2.1").pieces == 33


def test_a_question_from_a_card_waits_under_the_notes_kept_aside(farm, door):
    office = door("OF")
    key(office, **{"count-T2.1": "33"})
    page = key(office, **{"count-T2.1": "30"}).content.decode()

    assert "It is kept under" in page and KeptAside.objects.get().code == "counted_just_now"
    office.post(f"/phones/notes/{KeptAside.objects.get().pk}/", {"word": "store"})
    # Looked at in the same minute: the later one keyed in is the newer count.
    assert Balance.objects.get(tray__code="T2.1").pieces == 30


@pytest.mark.parametrize(
    ("boxes", "words"),
    [
        ({"walker": "ZZ", "looked-A1": "on"}, "no walker ZZ"),
        ({"day": "tomorrow", "looked-A1": "on"}, "type the day as"),
        ({"time": "early", "looked-A1": "on"}, "times as 07:40"),
    ],
)
def test_a_card_without_a_walker_or_a_time_says_what_to_type(farm, door, boxes, words):
    page = key(door("OF"), **boxes)

    assert page.status_code in (404, 422) and words in page.content.decode()
    assert not WalkNote.objects.filter(keyed_by__isnull=False).exists()


def test_growers_print_but_do_not_key_in(farm, door):
    grower = door("G1")

    assert grower.get("/walk/cards.pdf?system=K")["Content-Type"] == "application/pdf"
    assert grower.get("/walk/marks.pdf?system=T")["Content-Type"] == "application/pdf"
    assert grower.get("/walk/keying/").status_code == 403

"""The walk's book: the notes of a day, of a place, of a strain, with their photos."""

from datetime import date

import pytest
from django.test import Client
from PIL import Image
from tests_support import farm_time, page_words

from inventory.errors import Unknown
from inventory.models import Balance, WalkNote
from inventory.walk_book import walk_book
from inventory.walk_sync import take_batch

NINE = farm_time("2026-11-25 09:00")


@pytest.fixture
def door(person):
    def open_door(code):
        browser = Client()
        browser.force_login(person(code), backend="django.contrib.auth.backends.ModelBackend")
        return browser

    return open_door


def words(book):
    return [row.words for row in book.rows]


def test_the_book_opens_at_the_newest_day_and_lists_what_was_said(farm, person):
    pieces = Balance.objects.get(tray__code="T2.1").pieces
    notes = [
        {"client_id": "a", "place": "A2", "looked_at": "2026-11-25T08:00:00-06:00"},
        {"client_id": "b", "place": "A3", "looked_at": "2026-11-25T08:01:00-06:00"},
        {"client_id": "c", "place": "T2.1", "kind": "count", "pieces": pieces - 1,
         "looked_at": "2026-11-25T08:02:00-06:00"},
        {"client_id": "d", "place": "A4", "text": "film", "looked_at": "2026-11-25T08:03:00-06:00"},
        {"client_id": "e", "place": "A3", "kind": "undo", "undoes": "b",
         "looked_at": "2026-11-25T08:04:00-06:00"},
    ]  # fmt: skip
    take_batch(raws=notes, received_at=NINE, user=person("G1"))
    book = walk_book(on=None)

    assert book.on == date(2026, 11, 25) and book.all_well == 1
    # The demo's own look at H4 of 08:55 stands above them.
    assert words(book)[1:4] == [
        "A3: the last note is taken back.",
        "A4: “film”.",
        f"T2.1: {pieces - 1} counted, {pieces} before.",
    ]


def test_a_note_that_was_taken_back_is_said_to_be(farm, person, door):
    notes = [
        {"client_id": "a", "place": "A4", "text": "film", "looked_at": "2026-11-25T08:00:00-06:00"},
        {"client_id": "b", "place": "A4", "kind": "undo", "undoes": "a",
         "looked_at": "2026-11-25T08:04:00-06:00"},
    ]  # fmt: skip
    take_batch(raws=notes, received_at=NINE, user=person("G1"))

    assert "<s>A4: “film”.</s> <b>Taken back.</b>" in page_words(door("OF").get("/notes/"))


@pytest.mark.parametrize(
    ("of", "first"),
    [
        ("T2.2", "T2.2: PLT looked at; growth 3, sale size; “half would pass today”."),
        ("T2", "T2.2: PLT looked at; growth 3, sale size; “half would pass today”."),
        ("KLN", "A1: KLN grade 1; “tan to the tips”."),
        ("H", "H4: TLW looked at; flow right."),
    ],
)
def test_a_place_a_system_and_a_strain_have_their_own_notes(farm, of, first):
    book = walk_book(on=None, of=of)

    assert book.on is None and words(book)[0] == first
    assert not [row for row in book.rows if of[0] in "TH" and not row.place.startswith(of[0])]


def test_a_code_or_a_day_that_is_none_is_named_and_kept(farm, door):
    with pytest.raises(Unknown):
        walk_book(on=None, of="ZZ9")
    office = door("OF")
    wrong_place = office.get("/notes/?of=zz9&day=2026-11-24")
    wrong_day = office.get("/notes/?day=yesterday")

    assert wrong_place.status_code == wrong_day.status_code == 422
    assert "is called “ZZ9”" in page_words(wrong_place)
    assert "tan to the tips" in page_words(wrong_place)
    assert "“yesterday”: type it as 2026-11-25" in page_words(wrong_day)


def test_a_photo_stands_with_its_note_for_staff_only(farm, door, settings):
    path = settings.FARM_HOME / "photos" / "walk" / "tan.jpg"
    path.parent.mkdir(parents=True, exist_ok=True)
    Image.new("RGB", (40, 30), "tan").save(path)
    note = WalkNote.objects.get(text="tan to the tips")
    WalkNote.objects.filter(pk=note.pk).update(photo="photos/walk/tan.jpg")
    address = f"/notes/{note.pk}/photo/"
    office = door("OF")

    assert address in page_words(office.get("/notes/?of=KLN"))
    assert "“tan to the tips”; a photo." in page_words(office.get("/notes/?of=KLN"))
    assert office.get(address)["Content-Type"] == "image/jpeg"
    assert door("B01").get(address).status_code == 403
    WalkNote.objects.filter(pk=note.pk).update(photo="../slackwater.sqlite3")
    assert office.get(address).status_code == 404


def test_the_book_takes_few_statements_however_many_notes(
    farm, person, django_assert_max_num_queries
):
    notes = [
        {"client_id": f"n{at}", "place": "A4", "text": "film",
         "looked_at": f"2026-11-25T08:{at:02d}:00-06:00"}
        for at in range(50)
    ]  # fmt: skip
    take_batch(raws=notes, received_at=NINE, user=person("G1"))
    with django_assert_max_num_queries(8):
        book = walk_book(on=date(2026, 11, 25))

    assert len(book.rows) > 50

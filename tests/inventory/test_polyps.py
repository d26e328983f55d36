"""Polyps and growth: noted on the phone, on the card and in words; shown beside colour."""

from datetime import timedelta
from io import BytesIO

import pytest
from django.test import Client
from pypdf import PdfReader
from tests_support import farm_time, page_words

from inventory.last_looks import last_looks
from inventory.models import Balance, Lot, Strain, WalkNote
from inventory.ready_dates import learned_reference_days
from inventory.setting_book import SettingBook
from inventory.walk_papers import walk_cards_pdf
from inventory.walk_sync import take_batch
from inventory.walk_words import GROWTH_WORDS, POLYP_WORDS, organ_of

NINE = farm_time("2026-11-25 09:00")
HALF_EIGHT = farm_time("2026-11-25 07:30")


@pytest.fixture
def door(person):
    def open_door(code):
        browser = Client()
        browser.force_login(person(code), backend="django.contrib.auth.backends.ModelBackend")
        return browser

    return open_door


@pytest.fixture
def walk(farm, person):
    """Send looks of this morning, one minute apart: walk({"place": "T2.1", ...})."""
    sent = []

    def send(*looks):
        notes = []
        for look in looks:
            sent.append(look)
            at = HALF_EIGHT + timedelta(minutes=len(sent))
            notes.append({"client_id": f"p-{len(sent)}", "looked_at": at.isoformat(), **look})
        return take_batch(raws=notes, received_at=NINE, user=person("G1")).taken

    return send


def test_a_look_at_polyps_and_growth_is_stored_and_read_back(walk):
    [taken] = walk({"place": "T2.1", "strain": "PLT", "polyp": "2", "growth": 0})
    note = WalkNote.objects.get(client_id="p-1")

    assert (note.polyp, note.growth, note.tray.code, note.strain.key) == (2, 0, "T2.1", "PLT")
    assert taken.sentence == "T2.1: PLT looked at; polyps 2, mostly out; growth 0, none."


@pytest.mark.parametrize(
    ("look", "code", "words"),
    [
        ({"place": "T2.1", "strain": "PLT", "polyp": 4}, "note_unreadable", "from 0 to 3"),
        ({"place": "T2.1", "strain": "PLT", "polyp": "most"}, "note_unreadable", "such as 2.5"),
        ({"place": "T2.1", "strain": "PLT", "growth": -1}, "note_unreadable", "from 0 to 3"),
        ({"place": "T2.1", "polyp": 2}, "strain_needed", "noted at T2.1 without a strain"),
        ({"place": "T2.1", "strain": "KLN", "growth": 2}, "strain_not_there", "KLN does not stand"),
        ({"place": "T6.3", "strain": "RMG", "polyp": 1}, "no_polyps_there", "it has no polyps"),
    ],
)
def test_a_look_that_cannot_be_is_refused_alone_and_says_what_to_do(walk, look, code, words):
    before = WalkNote.objects.count()
    bad, good = walk(look, {"place": "T6.3", "strain": "RMG", "growth": 2})

    assert (bad.outcome, bad.code) == ("problem", code) and words in bad.sentence
    assert good.outcome == "stored" and WalkNote.objects.count() == before + 1


def test_a_clam_has_a_mantle_and_a_mangrove_nothing_that_opens(walk):
    clam = Strain.objects.filter(strain_class="CLAM", forms__balances__pieces__gt=0).first()
    tray = clam.forms.first().balances.first().tray.code
    [taken] = walk({"place": tray, "strain": clam.key, "polyp": 3})

    assert "mantle 3, fully out" in taken.sentence
    assert [organ_of(code) for code in ("SPS", "ZOA", "CLAM", "MANG")] == [
        "polyps", "polyps", "mantle", "",
    ]  # fmt: skip


def test_the_newest_look_counts_whenever_it_arrives_and_one_taken_back_does_not(walk):
    walk(
        {"place": "T2.1", "strain": "PLT", "polyp": 1, "growth": 1},
        {"place": "T2.1", "strain": "PLT", "polyp": 3},
        {"place": "T2.1", "strain": "PLT", "growth": 2, "looked_at": "2026-11-24T08:00:00-06:00"},
    )
    strain = Strain.objects.get(key="PLT")

    def look():
        return last_looks(on=NINE.date()).of_tray("T2.1", strain.pk).words("polyps")

    assert look() == "polyps 3, fully out; growth 1, slow, on Wed 25 Nov"
    walk({"kind": "undo", "place": "T2.1", "undoes": "p-1"})
    assert look() == "polyps 3, fully out, on Wed 25 Nov; growth 2, good, on Tue 24 Nov"
    assert "polyps 3" in last_looks(on=NINE.date()).of_trough("T2", strain.pk).words("polyps")


def test_an_old_look_says_nothing_of_today(walk):
    walk({"place": "T2.1", "strain": "PLT", "polyp": 1})
    strain = Strain.objects.get(key="PLT")

    later = last_looks(on=NINE.date() + timedelta(days=29))
    assert later.of_tray("T2.1", strain.pk).words("polyps") == ""


def test_a_look_of_growth_three_that_was_taken_back_teaches_no_ready_date(walk, person):
    """A lot that was graded ready by another way learns from the first growth 3 that stands."""
    lot = Balance.objects.get(tray__code="T2.2").lot
    Lot.objects.filter(pk=lot.pk).update(state=Lot.State.READY)
    WalkNote.objects.filter(growth=3).update(growth=2)
    book = SettingBook.read(on=NINE.date())

    def names():
        learned = learned_reference_days(book=book)
        return [str(row.strain_form) for row in learned]

    before = names()
    walk({"place": "T2.2", "strain": "PLT", "growth": 3})
    assert names() == [*before, str(lot.strain_form)]
    walk({"kind": "undo", "place": "T2.1", "undoes": "p-1"})
    assert names() == before


def test_the_walk_shows_the_newest_look_beside_the_colour_and_at_the_tray(walk, door):
    walk(
        {"place": "A1", "strain": "KLN", "polyp": 0},
        {"place": "T2.1", "strain": "PLT", "polyp": 2, "growth": 3},
    )
    grower, office = door("G1"), door("OF")

    assert "resting; polyps 0, closed, on Wed 25 Nov" in page_words(grower.get("/walk/A1/"))
    tray = page_words(grower.get("/walk/T2.1/"))
    assert "polyps 2, mostly out; growth 3, sale size, on Wed 25 Nov" in tray
    assert "A1: polyps 0, closed, on Wed 25 Nov." in page_words(office.get("/seasons/"))
    growing = page_words(office.get("/growing/"))
    assert "growth 3, sale size, on Tue 24 Nov" in growing


def test_every_tray_asks_for_what_it_has(farm, door):
    grower = door("G1")
    coral, mangrove = page_words(grower.get("/walk/T2.1/")), page_words(grower.get("/walk/T6.3/"))

    assert coral.count('name="polyp"') == coral.count('name="growth"') == 4
    assert 'name="polyp"' not in mangrove and mangrove.count('name="growth"') == 4


def test_the_card_has_its_boxes_and_keys_them_in_each_by_itself(farm, door):
    pages = PdfReader(BytesIO(walk_cards_pdf(now=NINE, system="T"))).pages
    text = " ".join("\n".join(page.extract_text() for page in pages).split())
    for number, word in enumerate((*POLYP_WORDS, *GROWTH_WORDS)):
        assert f"{number % 4} {word}" in text
    card = {"walker": "G2", "day": "2026-11-25", "time": "07:00"}
    boxes = {"polyp-T2.1": "7", "growth-T2.1": "2", "polyp-T2.2": "0"}
    page = page_words(door("OF").post("/walk/keying/", card | boxes, follow=True))

    assert "1 boxes need a word" in page or "1 box needs a word" in page
    assert 'aria-label="T2.1 polyps, 0 to 3" value="7"' in page
    notes = WalkNote.objects.filter(keyed_by__code="OF").order_by("tray__code")
    assert [(note.tray.code, note.polyp, note.growth) for note in notes] == [
        ("T2.1", None, 2),
        ("T2.2", 0, None),
    ]

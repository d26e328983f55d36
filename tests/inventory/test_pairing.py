"""Phones: paired once, good for the walk only, taken off the list without losing a note."""

import io
import json
from datetime import timedelta

import pytest
from django.core.files.uploadedfile import SimpleUploadedFile
from django.test import Client
from PIL import Image
from tests_support import farm_time

from inventory.errors import NotAllowed
from inventory.models import Alarm, Balance, KeptAside, PairingCode, Phone, WalkNote
from inventory.pairing import CodeNotGood, offer_pairing, pair_phone, phone_of_key, revoke_phone
from inventory.photos import MOST_BYTES
from inventory.walk_door import KEY_COOKIE

NINE = farm_time("2026-11-25 09:00")
AT = "2026-11-25T08:30:00-06:00"


def sent(client_id, place="H4", **more):
    return {"client_id": client_id, "looked_at": AT, "place": place, **more}


def post(browser, *notes):
    body = {"notes": notes, "phone_now": NINE.isoformat()}
    return browser.post("/walk/notes/", json.dumps(body), content_type="application/json").json()


@pytest.fixture
def door(person):
    def open_door(code):
        browser = Client()
        browser.force_login(person(code), backend="django.contrib.auth.backends.ModelBackend")
        return browser

    return open_door


@pytest.fixture
def phone(farm, door):
    """A browser that was paired as the office and a phone do it."""
    page = door("OF").post("/phones/", {"walker": "G1", "name": "blue phone"}).content.decode()
    address = page.split('class="address">')[1].split("<")[0]
    path = address.removeprefix("http://testserver")
    browser = Client()
    assert "Pair this phone with the walk" in browser.get(path).content.decode()
    assert browser.post(path)["Location"] == "/walk/"
    return browser


def test_a_paired_phone_walks_without_a_log_in_and_opens_nothing_else(phone):
    assert phone.get("/walk/").status_code == 200
    assert phone.get("/walk/T2.1/").status_code == 200
    assert post(phone, sent("n"))["answers"][0]["outcome"] == "stored"
    note = WalkNote.objects.get(client_id="n")
    assert (note.user.code, note.phone.name) == ("G1", "blue phone")
    for address in ("/", "/holds/", "/phones/", "/orders/"):
        assert phone.get(address).status_code == 302, address
    assert phone.get("/api/v1/weeks/").status_code == 401


def test_the_key_is_hashed_at_rest_out_of_reach_of_scripts_and_so_is_the_code(phone):
    key = phone.cookies[KEY_COOKIE]

    assert key["httponly"] and key["samesite"] == "Lax"
    assert key.value not in str(Phone.objects.values_list()[0])
    assert len(PairingCode.objects.get().code_hash) == 64


def test_a_code_is_good_once_and_for_a_quarter_of_an_hour(farm, person):
    offer = offer_pairing(walker=person("G1"), name="", by=person("OF"), now=NINE)
    late = offer_pairing(walker=person("G1"), name="", by=person("OF"), now=NINE)
    assert pair_phone(code=offer.code, now=NINE).phone.user.code == "G1"

    with pytest.raises(CodeNotGood, match="has been used already"):
        pair_phone(code=offer.code, now=NINE)
    with pytest.raises(CodeNotGood, match="has run out"):
        pair_phone(code=late.code, now=NINE + timedelta(minutes=16))
    with pytest.raises(CodeNotGood, match="is not known here"):
        pair_phone(code="guess", now=NINE)
    assert Phone.objects.count() == 1


def test_only_the_office_pairs_and_only_those_who_walk_are_paired(farm, person):
    with pytest.raises(NotAllowed):
        offer_pairing(walker=person("G1"), name="", by=person("G1"), now=NINE)
    with pytest.raises(NotAllowed, match="Odile Marchbank may not walk the troughs"):
        offer_pairing(walker=person("OF"), name="", by=person("OF"), now=NINE)


def test_a_revoked_phones_notes_are_kept_aside_and_the_office_stores_them(phone, door):
    office = door("OF")
    post(phone, sent("before"))
    office.post(f"/phones/{Phone.objects.get().pk}/off/")
    notes = [sent("before"), sent("dead", "T2.1", kind="dead", dead=2), sent("bad", "Z9")]
    first, second = post(phone, *notes), post(phone, *notes)

    outcomes = [row["outcome"] for row in first["answers"]]
    assert outcomes == ["already have it", "kept aside", "kept aside"]
    assert "none is lost" in first["answers"][1]["sentence"]
    assert [row["outcome"] for row in second["answers"]] == outcomes
    assert first["notes_of_phone"] == 3
    assert Balance.objects.get(tray__code="T2.1").pieces == 34
    page = office.get("/phones/").content.decode()
    assert "2 notes kept aside" in page and "place T2.1, kind dead" in page
    for row in KeptAside.objects.all():
        office.post(f"/phones/notes/{row.pk}/", {"word": "store"})
    assert Balance.objects.get(tray__code="T2.1").pieces == 32
    note = WalkNote.objects.get(client_id="dead")
    assert (note.user.code, note.keyed_by.code) == ("G1", "OF")
    assert KeptAside.objects.get(client_id="bad").is_waiting
    assert "was taken off the list" in phone.get("/walk/").content.decode()


def test_what_a_restored_backup_does_not_know_is_named_as_missing(phone):
    counted = post(phone, sent("kept"), sent("lost"))
    WalkNote.objects.filter(client_id="lost").delete()
    again = post(phone, sent("new"))
    missing = phone.post(
        "/walk/missing/", json.dumps({"notes": ["kept", "lost"]}), content_type="application/json"
    ).json()

    assert (counted["notes_of_phone"], again["notes_of_phone"]) == (2, 2)
    assert missing == {"missing": ["lost"]}


def test_a_key_nobody_knows_is_told_that_its_notes_stay(farm, client):
    client.cookies[KEY_COOKIE] = "lost with the backup"

    assert post(client, sent("n"))["code"] == "phone_not_known"
    assert client.get("/walk/").status_code == 302
    assert phone_of_key(key="", now=NINE) is None


def test_revoking_twice_keeps_the_first_word(phone, person):
    row = Phone.objects.get()
    first = revoke_phone(phone_id=row.pk, by=person("OF"), now=NINE)
    again = revoke_phone(phone_id=row.pk, by=person("LD"), now=NINE + timedelta(days=1))

    assert (again.revoked_at, again.revoked_by) == (first.revoked_at, first.revoked_by)


def picture(size=(2400, 1200)):
    out = io.BytesIO()
    Image.new("RGB", size, "teal").save(out, "JPEG")
    return SimpleUploadedFile("x.jpg", out.getvalue(), "image/jpeg")


def send_photo(browser, client_id, upload):
    return browser.post("/walk/photos/", {"client_id": client_id, "photo": upload})


def test_a_photo_follows_its_note_once_and_is_encoded_anew(phone, settings):
    post(phone, sent("n"))
    assert send_photo(phone, "n", picture()).json() == {"outcome": "stored", "detail": ""}
    path = WalkNote.objects.get(client_id="n").photo
    with Image.open(settings.FARM_HOME / path) as kept:
        assert kept.size == (1600, 800)
    send_photo(phone, "n", picture((90, 90)))
    assert WalkNote.objects.get(client_id="n").photo == path


@pytest.mark.parametrize(
    ("content", "words"),
    [
        (b"not a picture", "is no picture"),
        (b"", "is no picture"),
        (b"\xff" * (MOST_BYTES + 1), "is larger than 12 MB"),
    ],
)
def test_a_photo_that_is_none_or_too_large_leaves_the_note_and_says_so(phone, content, words):
    post(phone, sent("n"))
    answer = send_photo(phone, "n", SimpleUploadedFile("x.jpg", content, "image/jpeg")).json()

    assert answer["outcome"] == "none"
    assert words in answer["detail"]
    assert WalkNote.objects.get(client_id="n").photo == ""


def test_a_photo_for_anothers_note_is_refused(phone, door):
    post(door("G2"), sent("theirs"))
    answer = send_photo(phone, "theirs", picture())

    assert (answer.status_code, answer.json()["code"]) == (404, "unknown")


def test_the_alarm_stands_on_every_staff_page_until_somebody_answers(phone, door, person):
    post(phone, sent("pest", "T2.1", kind="pest", scope="system"))
    office, packer, alarm = door("OF"), door("PK1"), Alarm.objects.get()
    words = "pest seen at T2.1"
    for browser in (office, packer):
        for address in ("/holds/", "/"):
            assert words in browser.get(address).content.decode()
    assert words not in door("B01").get("/").content.decode()
    packer.post(f"/alarms/{alarm.pk}/heard/")
    office.post(f"/alarms/{alarm.pk}/heard/")
    alarm.refresh_from_db()

    assert alarm.answered_by == person("PK1")
    assert 'role="alert"' not in office.get("/").content.decode()
    assert office.post("/alarms/999/heard/").status_code == 404
    assert door("B01").post(f"/alarms/{alarm.pk}/heard/").status_code == 403


def test_the_worker_is_served_from_the_root_as_a_script(client, db):
    answer = client.get("/walk-worker.js")

    assert (
        answer["Content-Type"].startswith("text/javascript")
        and b"slackwater-walk" in answer.content
    )

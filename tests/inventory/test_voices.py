"""Voice notes: they follow their note once, are looked at by their bytes, and staff hear them."""

import io
import json
import wave

import pytest
from django.core.files.uploadedfile import SimpleUploadedFile
from django.test import Client
from tests_support import farm_time, page_words

from inventory.models import KeptAside, Phone, VoiceNote, WalkNote
from inventory.voices import MOST_BYTES, MOST_SECONDS

AT = "2026-11-25T08:30:00-06:00"
NINE = farm_time("2026-11-25 09:00")


def sound(seconds=1):
    out = io.BytesIO()
    with wave.open(out, "wb") as file:
        file.setnchannels(1)
        file.setsampwidth(2)
        file.setframerate(8000)
        file.writeframes(b"\1\0" * 8000 * seconds)
    return out.getvalue()


def upload(content, name="The recording"):
    return SimpleUploadedFile(name, content, "audio/webm")


@pytest.fixture
def door(person):
    def open_door(code):
        browser = Client()
        browser.force_login(person(code), backend="django.contrib.auth.backends.ModelBackend")
        return browser

    return open_door


@pytest.fixture
def phone(farm, door):
    page = door("OF").post("/phones/", {"walker": "G1", "name": "blue phone"}).content.decode()
    path = page.split('class="address">')[1].split("<")[0].removeprefix("http://testserver")
    browser = Client()
    browser.post(path)
    return browser


def note(browser, client_id, place="H4", at=AT, **more):
    body = {"notes": [{"client_id": client_id, "looked_at": at, "place": place, **more}]}
    answer = browser.post("/walk/notes/", json.dumps(body), content_type="application/json")
    return answer.json()["answers"][0]


def say(browser, client_id, content, **more):
    return browser.post("/walk/voices/", {"client_id": client_id, "voice": upload(content), **more})


def test_a_voice_follows_its_note_once_and_is_kept_as_it_was_spoken(phone, settings):
    note(phone, "n")
    first, again = say(phone, "n", sound(), seconds="12"), say(phone, "n", sound(2))
    voice = VoiceNote.objects.get()

    assert first.json() == again.json() == {"outcome": "stored", "detail": ""}
    assert (voice.seconds, voice.media_type, voice.user.code) == (12, "audio/wav", "G1")
    assert voice.phone.name == "blue phone" and voice.path.endswith(".wav")
    assert (settings.FARM_HOME / voice.path).read_bytes() == sound()


@pytest.mark.parametrize(
    ("content", "words"),
    [
        (b"not a sound", "is no sound that can be read"),
        (b"", "is no sound that can be read"),
        (b"\x89PNG\r\n\x1a\n" + bytes(99), "is no sound that can be read"),
        (b"RIFF" + bytes(MOST_BYTES), "is larger than 6 MB"),
    ],
)
def test_what_is_no_sound_or_too_long_leaves_the_note_and_says_so(phone, content, words):
    note(phone, "n")
    answer = say(phone, "n", content).json()

    assert answer["outcome"] == "none" and words in answer["detail"]
    assert WalkNote.objects.filter(client_id="n").exists() and not VoiceNote.objects.exists()


def test_a_minute_of_the_plainest_recorder_fits():
    """48,000 samples a second of two bytes: PCM as WAV keeps it, nothing packed."""
    assert MOST_SECONDS * 48_000 * 2 + 44 <= MOST_BYTES


@pytest.mark.parametrize(("said", "kept"), [("", None), ("-3", None), ("1e9", None), ("61", 61)])
def test_a_length_that_cannot_be_is_left_out(phone, said, kept):
    note(phone, "n")
    say(phone, "n", sound(), seconds=said)

    assert VoiceNote.objects.get().seconds == kept


def test_a_voice_for_anothers_note_or_for_none_is_refused(phone, door):
    note(door("G2"), "theirs")
    for client_id in ("theirs", "never came", ""):
        answer = say(phone, client_id, sound())
        assert (answer.status_code, answer.json()["code"]) == (404, "unknown")
    assert say(Client(), "theirs", sound()).status_code == 401
    assert not VoiceNote.objects.exists()


def test_whoever_decides_on_a_note_kept_aside_hears_its_voice(phone, door):
    """Looked at months ago: kept aside, and what was said with it is not lost."""
    answer = note(phone, "old", at="2026-05-01T08:00:00-06:00")
    assert answer["outcome"] == "kept aside"
    assert say(phone, "old", sound(), seconds="4").json()["outcome"] == "stored"
    office = door("OF")

    assert "voice note of H4, 4 s" in page_words(office.get("/phones/"))
    office.post(f"/phones/notes/{KeptAside.objects.get().pk}/", {"word": "store"})
    assert "in the walker's own voice" in office.get("/notes/?of=H4").content.decode().replace(
        "&#x27;", "'"
    )


def test_a_phone_off_the_list_sends_no_more_voices(phone, door):
    note(phone, "n")
    door("OF").post(f"/phones/{Phone.objects.get().pk}/off/")
    answer = say(phone, "n", sound()).json()

    assert answer["outcome"] == "none" and "its recordings are not kept" in answer["detail"]
    assert not VoiceNote.objects.exists()


def test_staff_hear_it_and_nobody_else(phone, door):
    note(phone, "n")
    say(phone, "n", sound())
    address = f"/notes/voices/{VoiceNote.objects.get().pk}/"
    heard = door("PK1").get(address)

    assert heard.status_code == 200 and heard["Content-Type"] == "audio/wav"
    assert heard.content == sound()
    assert heard["Cache-Control"].startswith("private")
    assert door("B01").get(address).status_code == 403
    assert phone.get(address).status_code == Client().get(address).status_code == 302
    assert door("OF").get("/notes/voices/999/").status_code == 404
    assert door("B01").get("/notes/").status_code == 403


def test_a_player_may_ask_for_a_part(phone, door):
    """RFC 9110, section 14: first and last byte, open end, the last bytes, beyond the end."""
    note(phone, "n")
    say(phone, "n", sound())
    office, whole = door("OF"), sound()
    address = f"/notes/voices/{VoiceNote.objects.get().pk}/"

    def ask(part):
        answer = office.get(address, headers={"Range": part})
        return answer.status_code, answer.get("Content-Range"), answer.content

    size = len(whole)
    assert ask("bytes=0-1") == (206, f"bytes 0-1/{size}", whole[:2])
    assert ask(f"bytes={size - 4}-") == (206, f"bytes {size - 4}-{size - 1}/{size}", whole[-4:])
    assert ask("bytes=-3") == (206, f"bytes {size - 3}-{size - 1}/{size}", whole[-3:])
    assert ask(f"bytes=10-{size * 9}") == (206, f"bytes 10-{size - 1}/{size}", whole[10:])
    assert ask(f"bytes={size}-") == (416, f"bytes */{size}", b"")
    assert ask("bytes=-0")[0] == 416
    # What is no range of bytes is not obeyed: the whole is a right answer.
    odd = office.get(address, headers={"Range": "lines=1-2"})
    assert odd.status_code == 200 and odd["Accept-Ranges"] == "bytes"


def test_a_plain_form_brings_a_voice_along_and_says_when_it_is_none(farm, door):
    grower = door("G1")
    for content, words in ((sound(), "looked, all well"), (b"none", "without its voice note")):
        form = {"place": "H4", "kind": "look", "next": "H4", "token": str(len(content))}
        answer = grower.post("/walk/note/", {**form, "voice": upload(content)}, follow=True)
        assert words in page_words(answer)

    assert VoiceNote.objects.count() == 1 and WalkNote.objects.filter(phone=None).count() >= 2

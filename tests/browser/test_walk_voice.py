"""Voice notes, polyps and a clumsy thumb on the walk, in a real browser with a microphone."""

import re
import wave
from pathlib import Path

import pytest
from playwright.sync_api import expect
from tests_support import log_in
from walk_phone import AWAY, STORE, phone_of, tap, waiting

from inventory.calc.sound_bytes import WEBM, sound_of
from inventory.models import Balance, Hold, VoiceNote, WalkNote

pytestmark = pytest.mark.browser
SPEAK = "#place details[open] .speak"
WORDS = "#place summary:has-text('ords, photo, voice')"


def at(page, code):
    page.evaluate("code => { location.hash = code }", code)
    page.wait_for_selector(f"#place [data-place='{code}']")


def speak(page, wait_ms=1200):
    page.click(SPEAK)
    expect(page.locator(SPEAK)).to_contain_text("Stop, 0:")
    page.wait_for_timeout(wait_ms)
    page.click(SPEAK)
    expect(page.locator(SPEAK)).to_have_text("Speak again")


@pytest.mark.django_db(transaction=True)
def test_a_voice_note_is_spoken_sent_and_heard_by_the_office(grower, live_server, settings):
    page = grower()
    at(page, "H4")
    page.click(WORDS)
    speak(page)
    # A busy machine listens longer than it was asked to.
    expect(page.locator("#place .armed .reads")).to_have_text(re.compile(r"H4: voice, \d+ s\."))
    with page.expect_response("**/walk/voices/"):
        page.click(STORE)
    waiting(page, "All notes are in")
    assert page.inner_text("#read-back p").startswith("H4: voice, ")
    voice = VoiceNote.objects.get()
    content = (settings.FARM_HOME / voice.path).read_bytes()
    assert sound_of(content) == WEBM and 1 <= voice.seconds <= 60
    assert page.failures == []

    office = log_in(page.context.browser, live_server, "office@saltmarrow.example")
    office.goto("/notes/?of=H4")
    expect(office.locator("audio")).to_have_attribute("src", f"/notes/voices/{voice.pk}/")
    played = office.evaluate(
        """async () => {
            const player = document.querySelector("audio");
            await player.play();
            await new Promise((done) => player.addEventListener("timeupdate", done));
            return [player.error, player.readyState > 1];
        }"""
    )
    assert played == [None, True]


@pytest.mark.django_db(transaction=True)
def test_a_voice_that_is_left_goes_with_its_own_place_and_raises_no_hold(grower):
    page = grower()
    at(page, "H4")
    page.click("#place summary:has-text('Something is wrong')")
    page.click(SPEAK)
    page.wait_for_timeout(900)
    with page.expect_response("**/walk/voices/"):
        at(page, "H5")
    waiting(page, "All notes are in")
    note = WalkNote.objects.get(client_id=VoiceNote.objects.get().client_id)

    assert (note.kind, note.trough.code, note.hold) == ("look", "H4", None)
    assert not Hold.objects.filter(system__code="H").exists()
    expect(page.locator("#place .code").first).to_have_text("H5")


@pytest.mark.django_db(transaction=True)
def test_without_https_the_page_says_so_and_takes_the_phones_own_recorder(
    grower, settings, tmp_path
):
    settings.ALLOWED_HOSTS = ["*"]
    spoken = tmp_path / "spoken.wav"
    with wave.open(str(spoken), "wb") as file:
        file.setnchannels(1)
        file.setsampwidth(2)
        file.setframerate(8000)
        file.writeframes(bytes(16_000))
    page = grower(host=AWAY)
    at(page, "H4")
    page.click(WORDS)
    part = page.locator("#place details[open] .voice")
    expect(part).to_contain_text("This address is not https, so the page gets no microphone.")
    assert part.locator(".speak").count() == 0
    field = part.locator("input")
    assert (field.get_attribute("accept"), field.get_attribute("capture")) == ("audio/*", "")
    field.set_input_files(spoken)
    with page.expect_response("**/walk/voices/"):
        page.click(STORE)
    waiting(page, "All notes are in")

    assert VoiceNote.objects.get().media_type == "audio/wav"


@pytest.mark.django_db(transaction=True)
def test_polyps_and_growth_take_four_taps_and_no_keyboard(grower):
    page = grower()
    at(page, "T2")
    taps = tap(
        page, "[data-tray='T2.1']", "#place .pick:has(input[name=polyp][value='2'])",
        "#place .pick:has(input[name=growth][value='1'])", STORE,
    )  # fmt: skip
    note = WalkNote.objects.get(polyp=2)

    assert (taps, note.tray.code, note.strain.key, note.growth) == (4, "T2.1", "PLT", 1)
    assert "polyps 2, mostly out; growth 1, slow" in page.inner_text("#read-back")
    expect(page.locator("#place .look-words")).to_contain_text("polyps mostly out, growth slow")
    # A mangrove is asked for its growth alone, and a look at nothing is no note.
    at(page, "T6.3")
    assert page.locator("#place input[name=polyp]").count() == 0
    page.click("#place button:has-text('Store this look at T6.3')")
    expect(page.locator("#place .armed .reads")).to_contain_text("Tap a number first")
    looks = WalkNote.objects.filter(tray__code="T6.3", user__code="G1")
    assert looks.count() == 0


@pytest.mark.django_db(transaction=True)
def test_a_thumb_that_bounces_looks_at_one_trough_and_a_wrong_tap_is_put_down(grower):
    page = grower(has_touch=True)
    at(page, "A1")
    button = page.locator("#place .all-well").bounding_box()
    x, y = button["x"] + 60, button["y"] + 40
    page.touchscreen.tap(x, y)
    page.wait_for_timeout(120)
    page.touchscreen.tap(x, y)
    waiting(page, "All notes are in")
    expect(page.locator("#place .code").first).to_have_text("A2")
    assert WalkNote.objects.filter(received_at__date="2026-11-25", text="", light="", flow="",
                                   user__code="G1", kind="look").count() == 1  # fmt: skip

    pieces = Balance.objects.get(tray__code="T2.1").pieces
    at(page, "T2.1")
    page.tap("#place [data-step='-10'] >> nth=0")
    page.tap("#place .armed .not-this")
    assert page.input_value("#place [name=pieces]") == str(pieces)
    expect(page.locator("#place .armed")).to_have_count(0)


@pytest.mark.django_db(transaction=True)
def test_what_is_taken_back_leaves_the_page_as_it_was_and_says_that_a_hold_stands(grower):
    page = grower()
    at(page, "T2")
    tap(page, "[data-tray='T2.1']", "#place [data-step='-10']", STORE)
    assert page.input_value("#place [name=pieces]") == "24"
    tap(page, "#read-back button")
    assert page.input_value("#place [name=pieces]") == "34"
    expect(page.locator("#read-back button")).to_be_hidden()
    # A tray that was carried is found in its new trough, and back in the old one.
    to_a3 = ".pick:has(input[name=to_trough][value='A3'])"
    tap(page, "summary:has-text('Carry')", to_a3, STORE)
    at(page, "A3")
    expect(page.locator("#place [data-tray='T2.1']")).to_have_count(1)
    tap(page, "#read-back button")
    expect(page.locator("#place [data-tray='T2.1']")).to_have_count(0)
    at(page, "T2")
    expect(page.locator("#place [data-tray='T2.1']")).to_have_count(1)
    tap(page, "summary:has-text('Something is wrong')", ".pick:has(input[value=pest])", STORE)
    tap(page, "#read-back button")
    expect(page.locator("#read-back p")).to_contain_text("stands until the lead signs it off")


@pytest.mark.django_db(transaction=True)
def test_a_surge_that_just_stopped_is_read_back_as_its_clock_and_a_full_phone_says_so(grower):
    page = grower()
    at(page, "H4")
    page.click("#place summary:has-text('Something is wrong')")
    page.click("#place .flag .pick:has(input[value=surge])")
    page.click("#place .flag .pick:has(input[name=stalled_min][value='0'])")
    expect(page.locator("#place .armed .reads")).to_contain_text("its clock starts")
    expect(page.locator(STORE)).to_have_text("Start the clock of H4")
    before = WalkNote.objects.count()
    page.evaluate(
        """() => { IDBObjectStore.prototype.put = () => {
            throw new DOMException("no room", "QuotaExceededError"); } }"""
    )
    page.click(STORE)
    expect(page.locator("#read-back p")).to_contain_text("NOT stored, this phone has no room left")
    assert page.locator("#place .flag input[value=surge]").is_checked()
    assert WalkNote.objects.count() == before


def test_a_voice_spoken_without_signal_survives_a_restart(farm_process, chromium, tmp_path):
    folder = tmp_path / "phone"
    phone = phone_of(chromium, folder)
    page = phone.new_page()
    page.goto(f"{farm_process.url}/pair/{farm_process.code}/")
    page.get_by_role("button", name="Pair this phone").click()
    expect(page.locator("#reach")).to_contain_text("opens anew without signal")

    farm_process.kill()
    at(page, "H4")
    page.click(WORDS)
    speak(page)
    page.click(STORE)
    waiting(page, "1 note waiting")
    phone.close()

    farm_process.start()
    phone = phone_of(chromium, folder)
    page = phone.new_page()
    page.goto(f"{farm_process.url}/walk/")
    waiting(page, "All notes are in")
    phone.close()

    [(path, kind)] = farm_process.rows("select path, media_type from inventory_voicenote")
    assert kind == "audio/webm" and sound_of((Path(farm_process.home) / path).read_bytes()) == WEBM

"""The walk in a real browser: taps, no scripts, large photos, and a farm that cannot be reached."""

from datetime import timedelta
from itertools import cycle, islice

import pytest
from django.conf import settings
from PIL import Image
from playwright.sync_api import expect
from walk_phone import STORE, phone_of, tap, waiting

from inventory.clock import farm_now, start_demo_clock
from inventory.ledger import verify_ledger
from inventory.models import Balance, ColourState, Count, Hold, Tray, WalkNote

pytestmark = pytest.mark.browser
NOTES = 300

FULL_TRAYS = """
select t.code from inventory_tray t join inventory_balance b on b.tray_id = t.id
where b.pieces > 4 order by t.code limit 14
"""


def take_notes_without_signal(page, trays):
    """Fourteen counts, fourteen deaths, two grades, and looks at every trough in turn."""
    taken = 0
    for code in trays:
        page.evaluate("code => { location.hash = code }", code)
        page.wait_for_selector(f"#place [data-place='{code}'] .count")
        page.click("#place .count [data-step='-1']")
        page.click("#place .armed button[type=submit]")
        page.click("#place summary:has-text('Dead pieces')")
        page.click("#place form:has(input[name=dead]) .pick:has(input[value='1'])")
        page.click("#place .armed button[type=submit]")
        taken += 2
    for _ in range(2):
        page.evaluate("() => { location.hash = 'A1' }")
        page.wait_for_selector("#place [data-place='A1'] .bars")
        page.click("#place .pick:has(input[name=grade][value='1.5'])")
        page.click("#place .armed button[type=submit]")
        taken += 1
    order = page.evaluate(
        "() => [...document.querySelectorAll('.round [data-go]')].map((one) => one.dataset.go)"
    )
    for code in islice(cycle(dict.fromkeys(order)), NOTES - taken):
        page.evaluate("code => { location.hash = code }", code)
        page.click(f"#place [data-place='{code}'] .all-well")


def test_three_hundred_notes_taken_with_the_farm_down_are_there_once(
    farm_process, chromium, tmp_path
):
    """The server is killed, 300 notes are taken, the browser is closed and opened again twice, the
    server comes back: 300 notes, once each, and the ledger agrees."""
    folder = tmp_path / "phone"
    phone = phone_of(chromium, folder)
    page = phone.new_page()
    page.goto(f"{farm_process.url}/pair/{farm_process.code}/")
    page.get_by_role("button", name="Pair this phone").click()
    expect(page.locator("#reach")).to_contain_text("opens anew without signal")
    before = farm_process.rows("select count(*) from inventory_movement")[0][0]
    trays = [code for (code,) in farm_process.rows(FULL_TRAYS)]

    farm_process.kill()
    take_notes_without_signal(page, trays)
    waiting(page, f"{NOTES} notes waiting")
    phone.close()

    phone = phone_of(chromium, folder)
    page = phone.new_page()
    page.goto(f"{farm_process.url}/walk/")
    waiting(page, f"{NOTES} notes waiting")
    phone.close()

    farm_process.start()
    phone = phone_of(chromium, folder)
    page = phone.new_page()
    page.goto(f"{farm_process.url}/walk/")
    waiting(page, "All notes are in")
    assert page.locator(".question").count() == 0
    phone.close()

    every_note_is_there_once(farm_process)
    moved = farm_process.rows("select count(*) from inventory_movement")[0][0] - before
    assert moved == 28
    assert "agree" in farm_process.manage("verify_ledger")


def every_note_is_there_once(farm_process):
    notes = farm_process.rows("select client_id, phone_id from inventory_walknote")
    counts = farm_process.rows("select client_id, phone_id from inventory_count")
    assert len(notes) + len(counts) == NOTES and len(counts) == 14
    assert len({client_id for client_id, _ in notes + counts}) == NOTES
    assert all(phone_id for _, phone_id in notes + counts)


@pytest.mark.django_db(transaction=True)
def test_the_five_usual_notes_take_at_most_four_taps_and_no_keyboard(grower):
    page = grower()
    page.click("#start [data-go='T2']")
    bar = "#place .onward .next"
    assert page.locator(bar).bounding_box()["height"] >= 64

    taps = {"look": tap(page, "#place .all-well")}
    page.click("#place .onward .back")
    taps["recount"] = tap(page, "[data-tray='T2.1']", "#place [data-step='-1']", STORE)
    assert Balance.objects.get(tray__code="T2.1").pieces == 33
    page.click(bar)
    taps["move"] = tap(
        page, "[data-tray='T2.1']", "summary:has-text('Carry')",
        ".pick:has(input[name=to_trough][value='A3'])", STORE,
    )  # fmt: skip
    assert Tray.objects.get(code="T2.1").trough.code == "A3"
    page.evaluate("() => { location.hash = 'T2' }")
    page.wait_for_selector("#place [data-place='T2'] .flag", state="attached")
    taps["shade"] = tap(
        page, "summary:has-text('Shade')", ".pick:has(input[name=shade][value='0.40'])",
        ".pick:has(input[name=days][value='28'])", STORE,
    )  # fmt: skip
    taps["flag"] = tap(
        page, "summary:has-text('Something is wrong')", ".pick:has(input[value=pest])", STORE
    )
    assert Hold.objects.get(system__code="T").is_open
    page.evaluate("() => { location.hash = 'A1' }")
    page.click("#place .pick:has(input[name=grade][value='2.5'])")
    # The place is read back before anything is stored, with what the grade would do.
    reads = page.inner_text("#place .armed .reads")
    assert reads.startswith("A1, KLN grade 2.5.") and "it still rests" in reads
    taps["grade"] = 1 + tap(page, STORE)
    assert ColourState.objects.get(strain__key="KLN").value > 1.5

    assert taps == {"look": 1, "grade": 2, "recount": 3, "move": 4, "shade": 4, "flag": 3}
    assert page.failures == [] and not verify_ledger()


@pytest.mark.django_db(transaction=True)
def test_the_last_note_is_taken_back_by_one_tap(grower):
    page = grower()
    page.click("#start [data-go='T2']")
    tap(page, "[data-tray='T2.1']", "#place [data-step='-10']", STORE)
    assert Balance.objects.get(tray__code="T2.1").pieces == 24
    tap(page, "#read-back button")

    assert Balance.objects.get(tray__code="T2.1").pieces == 34
    assert Count.objects.count() == 1 and WalkNote.objects.filter(kind="undo").count() == 1


@pytest.mark.django_db(transaction=True)
def test_two_phones_that_count_one_tray_are_asked_whether_it_was_the_same(grower):
    page, other = grower(), grower()
    page.click("#start [data-go='T2']")
    tap(page, "[data-tray='T2.1']", "#place [data-step='-1']", STORE)
    # The demo's clock stands still: without this the order of the two looks hangs on milliseconds.
    start_demo_clock(at=farm_now() + timedelta(minutes=5))
    other.click("#start [data-go='T2']")
    for target in ("[data-tray='T2.1']", "#place [data-step='-10']", STORE):
        other.click(target)
    other.wait_for_selector(".question")
    assert "Is it the same tray?" in other.inner_text(".question")
    with other.expect_response("**/walk/notes/"):
        other.get_by_role("button", name="Yes, store it").click()
    expect(other.locator(".question")).to_have_count(0)

    assert Balance.objects.get(tray__code="T2.1").pieces == 24


@pytest.mark.django_db(transaction=True)
def test_a_photo_of_forty_megabytes_is_made_small_and_one_that_is_none_is_left_out(
    grower, tmp_path
):
    large, none = tmp_path / "large.png", tmp_path / "none.jpg"
    Image.effect_noise((3700, 3700), 90).convert("RGB").save(large, compress_level=0)
    none.write_bytes(b"not a picture")
    assert large.stat().st_size > 40_000_000
    page = grower()
    for photo, place in ((large, "H4"), (none, "H5")):
        page.evaluate("code => { location.hash = code }", place)
        page.click("#place summary:has-text('words, photo')")
        page.set_input_files("#place details[open] input[name=photo]", photo)
        with page.expect_response("**/walk/notes/", timeout=90_000):
            page.click("#place details[open] button[type=submit]")
        waiting(page, "All notes are in", timeout_s=90)

    kept = WalkNote.objects.get(trough__code="H4", received_at__date="2026-11-25", kind="look",
                                phone=None, text="", light="", flow="")  # fmt: skip
    with Image.open(settings.FARM_HOME / kept.photo) as picture:
        assert max(picture.size) == 1600
    assert "goes without it" in page.inner_text("#read-back")
    assert WalkNote.objects.get(trough__code="H5").photo == ""


@pytest.mark.django_db(transaction=True)
def test_every_note_can_be_taken_without_scripts(grower):
    page = grower(java_script_enabled=False)
    page.click("a:has-text('start at')")
    page.click("button:has-text('looked, all well')")
    assert page.url.endswith("/walk/A2/")
    assert "A1: looked, all well." in page.inner_text("[role=status]")
    page.goto("/walk/A1/")
    page.click(".pick:has(input[name=grade][value='2.5'])")
    page.click("button:has-text('Store the grade')")
    page.goto("/walk/T2.1/")
    page.fill("#pieces-T2\\.1", "31")
    page.click("button:has-text('Store the count')")
    assert "T2.1: 31 counted, 34 before." in page.inner_text("[role=status]")

    assert Balance.objects.get(tray__code="T2.1").pieces == 31
    assert WalkNote.objects.filter(kind="grade", strain__key="KLN").count() == 1


@pytest.mark.django_db(transaction=True)
@pytest.mark.parametrize("width", [320, 390, 1280])
def test_no_place_is_wider_than_the_phone_and_every_target_is_large_enough(grower, width):
    page = grower(width=width)
    for code in ("", "A1", "P5", "T2.1", "T7.1"):
        page.evaluate("code => { location.hash = code }", code)
        page.wait_for_timeout(50)
        page.evaluate("for (const one of document.querySelectorAll('details')) one.open = true")
        too_wide = page.evaluate("document.documentElement.scrollWidth - innerWidth")
        small = page.evaluate(
            """() => [...sheet.querySelectorAll('button, a, .pick, summary')]
                .filter((one) => one.offsetParent && one.getBoundingClientRect().height < 48)
                .map((one) => one.textContent)"""
        )
        assert too_wide <= 0, code
        assert small == [], code

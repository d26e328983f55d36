"""Edits that wait: the office drafts law rows and the owner signs; others wait for their day."""

import re
from datetime import date
from io import BytesIO

import pytest
from desk import hidden, open_form, show, shown_text, sign
from django.conf import settings
from django.core.files.uploadedfile import SimpleUploadedFile
from PIL import Image
from tests_support import farm_time

from config.ticking import tick
from inventory.clock import move_clock
from inventory.models import Change, Listing, Message, Strain, WaitingEdit
from inventory.photos import MOST_BYTES
from orders.models import Customer, Line, NoDeliveryDay, Paper, PaperUse, RegionRule, ShipWeek

LAW = "/edit/region-rules/US-MN:SPS:/"


def propose(browser, address, typed, answer, reason="read it on the state's own pages"):
    kept = {**typed, "act": "propose", "mark": hidden(answer, "mark"), "because": reason}
    return browser.post(address, kept)


def play_to(text):
    move_clock(to=farm_time(text))
    tick(farm_time(text))


def test_the_office_drafts_a_law_row_and_the_owner_signs_it(open_farm, at_desk):
    office, owner = at_desk("OF"), at_desk("OW")
    typed, answer = show(office, LAW, verdict="forbid", checked_on="2026-12-03", review_by="")
    text = shown_text(answer)
    assert "C01 Pinfeather Saltwater Room, Duluth: allowed to forbidden" in text
    assert sign(office, LAW, typed, answer).status_code == 403
    assert propose(office, LAW, typed, answer, reason=" ").status_code == 422
    assert propose(office, LAW, typed, answer).status_code == 302
    rule = RegionRule.objects.get(region="US-MN", strain_class="SPS", taxon="")
    assert rule.verdict == "allow"

    waiting = WaitingEdit.objects.get()
    letter = Message.objects.get(kind="edit waits")
    assert letter.user.code == "OW" and letter.action_url.endswith(f"?waiting={waiting.pk}")
    assert "read it on the state's own pages" in letter.text
    assert "a signature" in shown_text(owner.get("/edit/"))
    draft = open_form(owner, f"{LAW}?waiting={waiting.pk}")
    assert (draft["verdict"], draft["waiting"]) == ("forbid", str(waiting.pk))
    shown = owner.post(LAW, {**draft, "act": "show"})
    assert sign(owner, LAW, draft, shown, reason="agreed").status_code == 302

    rule.refresh_from_db()
    # read on 3 Dec, read again within 180 days (the setting), by hand: 1 Jun 2027
    assert (rule.verdict, rule.review_by) == ("forbid", date(2027, 6, 1))
    assert rule.checked_by == "Ruben Saltmarsh"
    waiting.refresh_from_db()
    assert waiting.outcome == "signed by Ruben Saltmarsh"


def test_a_draft_is_taken_back_by_who_typed_it(open_farm, at_desk):
    office = at_desk("OF")
    typed, answer = show(office, LAW, verdict="forbid")
    propose(office, LAW, typed, answer)
    waiting = WaitingEdit.objects.get()
    drop = f"/edit/waiting/{waiting.pk}/drop/"
    assert at_desk("PK1").post(drop).status_code == 403

    assert office.post(drop).status_code == 302
    assert office.post(drop).status_code == 409
    waiting.refresh_from_db()
    assert waiting.outcome == "taken back by Odile Marchbank"


def test_a_later_edit_is_written_on_its_day_and_only_its_own_fields(open_farm, at_desk):
    office, owner = at_desk("OF"), at_desk("OW")
    address = "/edit/customers/C01/"
    typed, answer = show(office, address, minimum_order="300.00", starts_on="2026-12-07")
    assert sign(office, address, typed, answer, reason="new terms").status_code == 302
    assert Customer.objects.get(code="C01").minimum_order == 250
    assert "new terms" in shown_text(office.get(address))
    again = sign(office, address, typed, answer, reason="new terms")
    assert again.status_code == 409 and "has typed the same" in shown_text(again)
    other, shown = show(owner, address, note="rings before noon")
    sign(owner, address, other, shown)

    play_to("2026-12-07 00:10")
    tick(farm_time("2026-12-07 00:11"))

    customer = Customer.objects.get(code="C01")
    assert (customer.minimum_order, customer.note) == (300, "rings before noon")
    change = Change.objects.get(field="Minimum order")
    assert (change.user.code, change.reason) == ("OF", "new terms")
    assert change.starts_on == date(2026, 12, 7)


def test_a_later_edit_does_not_undo_a_newer_one(open_farm, at_desk):
    office, owner = at_desk("OF"), at_desk("OW")
    address = "/edit/customers/C01/"
    typed, answer = show(office, address, minimum_order="300.00", starts_on="2026-12-07")
    sign(office, address, typed, answer, reason="new terms")
    move_clock(to=farm_time("2026-12-05 09:00"))
    other, shown = show(owner, address, minimum_order="275.00")
    sign(owner, address, other, shown)

    play_to("2026-12-07 00:10")

    assert Customer.objects.get(code="C01").minimum_order == 275
    assert "not written: C01: Ruben Saltmarsh changed Minimum order" in shown_text(
        office.get("/edit/")
    )


def test_a_day_without_delivery_draws_weeks_that_are_not_out_anew(open_farm, at_desk):
    browser = at_desk("OF")
    week = ShipWeek.objects.get(name="2026-W51")
    was = week.last_ship_on
    after = date.fromordinal(was.toordinal() + 1)
    typed, answer = show(
        browser, "/edit/calendar/new/", day=after.isoformat(), reason="the carrier stays at home"
    )
    text = shown_text(answer)
    assert "2026-W51 is not out yet: its days are drawn anew" in text
    signed = sign(browser, "/edit/calendar/new/", typed, answer)
    week.refresh_from_db()
    assert was not in week.ship_days

    typed, answer = show(browser, signed["Location"], is_delivered="yes")
    assert sign(browser, signed["Location"], typed, answer).status_code == 302
    assert not NoDeliveryDay.objects.filter(day=after).exists()
    week.refresh_from_db()
    assert week.last_ship_on == was


def test_a_week_keeps_a_day_to_ship_on(open_farm, at_desk):
    browser = at_desk("OF")
    for day in ("2026-12-15", "2026-12-16", "2026-12-17", "2026-12-18"):
        typed, answer = show(browser, "/edit/calendar/new/", day=day, reason="the road is closed")
        if answer.status_code == 409:
            break
        sign(browser, "/edit/calendar/new/", typed, answer)

    assert answer.status_code == 409
    assert "2026-W51 would have no day left to ship on" in shown_text(answer)


def test_a_day_names_the_orders_that_would_arrive_on_it(drawn_farm, at_desk):
    _, answer = show(at_desk("OF"), "/edit/calendar/new/", day="2026-12-02", reason="snow")

    text = shown_text(answer)
    assert "2026-W49 is out: its ship days and cut-off stay" in text
    assert "4902, ships Tue 1 Dec, arrives that day: cannot be handed over" in text


def test_a_paper_may_not_allow_less_than_is_used(open_farm, at_desk):
    browser, address = at_desk("OW"), "/edit/papers/PL-04/"
    paper = Paper.objects.get(code="PL-04")
    line = Line.objects.filter(order__customer__code="C04", order__week__name="2026-W50").first()
    taxon = "Rhizophora mangle"
    PaperUse.objects.create(paper=paper, line=line, taxon=taxon, pieces=12)

    _, answer = show(browser, address, allowed=f"{taxon} = many")
    assert "has no whole number behind its =" in shown_text(answer)
    _, answer = show(browser, address, allowed=f"{taxon} = 11")
    assert f"12 of {taxon} are used already" in shown_text(answer)
    typed, answer = show(browser, address, allowed=f"{taxon} = 12", valid_to="2026-12-05")
    assert f"{line.listing.name}: 12 of {taxon}, its paper would be over by then" in shown_text(
        answer
    )
    assert sign(browser, address, typed, answer).status_code == 302
    paper.refresh_from_db()
    assert (paper.allowed, paper.valid_to) == ({taxon: 12}, date(2026, 12, 5))
    _, answer = show(browser, address, valid_to="2025-12-05")
    assert "It would end before it begins." in shown_text(answer)


def test_a_strain_that_is_grown_no_more_leaves_the_open_list(open_farm, at_desk):
    browser = at_desk("OF")
    address = "/edit/strains/PLT/"
    typed = {
        name: text for name, text in open_form(browser, address).items() if name != "is_making"
    }
    answer = browser.post(address, {**typed, "act": "show"})
    text = shown_text(answer)
    assert re.search(r"2026-W50, out: PLT", text)
    assert "2026-W50 PLT plug Plum Trellis offered not listed" in text

    assert sign(browser, address, typed, answer, reason="the line has thrown").status_code == 302
    tick(farm_time("2026-12-04 16:05"))
    assert not Strain.objects.get(key="PLT").is_making
    newest = ShipWeek.objects.get(name="2026-W50").versions.last()
    assert not newest.lines.filter(listing__name="PLT plug").exists()


def test_only_the_owner_lowers_a_mother_floor(open_farm, at_desk):
    address = "/edit/strains/RKP/"
    floor = Strain.objects.get(key="RKP").floor_pieces
    _, refused = show(at_desk("OF"), address, floor_pieces=str(floor - 1))
    assert refused.status_code == 403

    owner = at_desk("OW")
    typed, answer = show(owner, address, floor_pieces=str(floor - 1))
    assert sign(owner, address, typed, answer, reason="two more are grading").status_code == 302
    assert Strain.objects.get(key="RKP").floor_pieces == floor - 1
    assert Change.objects.filter(what="strain", name="RKP").count() == 1


@pytest.mark.parametrize(
    ("key", "said"), [("AB", "A key is three letters"), ("PLT", "stands there already")]
)
def test_a_new_strain_needs_a_key_of_its_own(open_farm, at_desk, key, said):
    new = {"key": key, "name": "Reed Organ", "taxon": "Acropora sp.", "strain_class": "SPS",
           "held_since": "2026", "floor_pieces": "20", "cites_appendix": "II"}  # fmt: skip
    _, answer = show(at_desk("OF"), "/edit/strains/new/", **new)

    assert answer.status_code in (409, 422)
    assert said in shown_text(answer)


def picture(**exif):
    made = BytesIO()
    Image.new("RGB", (60, 40), "teal").save(made, "JPEG", **exif)
    return made.getvalue()


def with_place():
    """A photo that says where it was taken (Exif GPS tags, JEITA CP-3451)."""
    exif = Image.Exif()
    exif.get_ifd(0x8825)[1] = "N"
    exif.get_ifd(0x8825)[2] = (29.0, 5.0, 1.0)
    return picture(exif=exif)


def upload(browser, content, name="plt.jpg", **changes):
    address = "/edit/listings/PLT%20plug/"
    typed = {**open_form(browser, address), "photo_on": "2026-12-03", **changes}
    file = SimpleUploadedFile(name, content)
    return address, typed, browser.post(address, {**typed, "photo": file, "act": "show"})


def test_a_photo_is_kept_without_its_place_and_shown(open_farm, at_desk):
    browser = at_desk("OF")
    assert Image.open(BytesIO(with_place())).getexif().get_ifd(0x8825)
    address, typed, answer = upload(browser, with_place(), photo_light="day")
    assert answer.status_code == 200, shown_text(answer)
    assert not Listing.objects.get(name="PLT plug").photo
    typed["photo"] = hidden(answer, "photo")

    assert sign(browser, address, typed, answer).status_code == 302
    with Image.open(settings.FARM_HOME / Listing.objects.get(name="PLT plug").photo) as kept:
        assert not kept.getexif()
    buyer = at_desk("B01")
    assert "photo of 3 Dec, in day light" in shown_text(buyer.get("/weeks/2026-W50/list/"))
    served = buyer.get("/listings/PLT%20plug/photo/")
    assert served.content[:2] == b"\xff\xd8"


def test_a_file_that_is_no_picture_is_refused_and_the_text_is_kept(open_farm, at_desk):
    _, _, answer = upload(at_desk("OF"), b"%PDF-1.7 not a picture", title="Plum Trellis, new")

    assert answer.status_code == 422
    assert "plt.jpg is no picture that can be read" in shown_text(answer)
    assert 'value="Plum Trellis, new"' in answer.content.decode()


def test_a_photo_of_40_mb_is_refused(open_farm, at_desk):
    assert MOST_BYTES < 40 * 1024 * 1024
    _, _, answer = upload(at_desk("OF"), b"\xff\xd8\xff" + bytes(40 * 1024 * 1024))

    assert answer.status_code == 413
    assert "is larger than 12 MB" in shown_text(answer)


def test_no_other_file_can_be_named_as_a_photo(open_farm, at_desk):
    browser = at_desk("OF")
    _, answer = show(
        browser, "/edit/listings/PLT%20plug/", photo="secret_key", photo_on="2026-12-03"
    )

    assert answer.status_code == 422
    assert "That photo is not here any more." in shown_text(answer)

"""The letters of the demo week: who gets which, when, with what in it, and each once."""

import csv
import io
from datetime import date, timedelta
from email import message_from_bytes

import openpyxl
from django.conf import settings
from django.core import mail
from tests_support import farm_time

from config.playing import play
from config.posting import post_letters
from config.ticking import tick
from inventory import walk_messages
from inventory.clock import farm_now
from inventory.holds import raise_hold
from inventory.models import Hold, Message
from orders.models import RegionRule
from orders.order_messages import write_due
from orders.shortness import places_to_look_first
from shipping.models import PackPlan
from shipping.recalling import ask_recall, sign_recall

BUYERS = {f"B{number:02}" for number in range(1, 13)}


def letters(kind, **which):
    return list(Message.objects.filter(kind=kind, **which).select_related("user").order_by("id"))


def readers(kind, **which):
    return {letter.user.code for letter in letters(kind, **which)}


def test_the_list_is_out_to_every_shop_that_may_receive_something(published_farm):
    told = letters("list is out")

    assert readers("list is out") == BUYERS
    assert len(told) == len(BUYERS)
    gullwick = next(letter for letter in told if letter.user.code == "B02")
    assert gullwick.subject == "Availability 2026-W49: order until Mon 30 Nov, 13:00"
    assert "Times as clocks show them in Buffalo (EST)." in gullwick.text
    sheet = {"week": "2026-W49", "version": 1, "ship_to": "C02"}
    assert gullwick.attachments == [
        ["list.pdf", {"week": "2026-W49", "version": 1, "tier": 2}],
        ["list.xlsx", sheet],
        ["list.csv", sheet],
    ]
    reef = next(letter for letter in told if letter.user.code == "B10")
    assert [facts["ship_to"] for maker, facts in reef.attachments if maker == "list.csv"] == [
        "C10a", "C10b", "C10c",
    ]  # fmt: skip


def test_a_shop_where_everything_is_forbidden_is_not_told(farm, fixtures_folder):
    RegionRule.objects.filter(region="US-NY").update(verdict="forbid")
    play(folder=fixtures_folder, until=farm_time("2026-11-25 14:00"))

    assert readers("list is out") == BUYERS - {"B02"}


def test_a_later_version_of_the_list_is_not_told_again(published_farm, person):
    raise_hold(
        scope_kind="system", scope="T", reason="white film", grade="suspected",
        at=farm_time("2026-11-25 15:00"), user=person("G1"),
    )  # fmt: skip
    tick(farm_time("2026-11-25 15:00"))

    assert len(letters("list is out")) == len(BUYERS)
    assert readers("hold raised", subject__contains="white film") == {"LD", "OF"}


def test_on_sunday_evening_only_those_who_may_end_short_are_told(closed_farm):
    told = letters("your line may be short")

    assert {letter.written_at for letter in told} == {farm_time("2026-11-29 20:02")}
    by_code = {letter.user.code: letter for letter in told}
    # Kalea asks for nothing short, Maeve's export still waits for its ticks, Tomas has not ordered.
    assert set(by_code) == BUYERS - {"B09", "B11", "B12"}
    assert "asked  12, may become   8" in by_code["B02"].text
    # C07 alone takes substitutes (job table 7.6): MKC for its short PLT, at the same price.
    assert "instead could go" in by_code["B07"].text
    assert "(MKC plug) at $14.00" in by_code["B07"].text
    assert "(MKC plug) at $14.00" in by_code["B07"].html
    others = [letter for code, letter in by_code.items() if code != "B07"]
    assert not any("instead could go" in letter.text for letter in others)
    assert "/orders/4902/change/" in by_code["B02"].text
    assert all(letter.text.count("http") == 1 for letter in told)


def test_that_goes_out_at_five_and_not_before(published_farm, fixtures_folder):
    play(folder=fixtures_folder, until=farm_time("2026-11-28 12:00"))
    tick(farm_time("2026-11-29 16:59"))
    assert not letters("your line may be short")
    tick(farm_time("2026-11-29 17:00"))
    told = letters("your line may be short")
    tick(farm_time("2026-11-29 17:01"))

    assert told and letters("your line may be short") == told


def test_each_shop_is_told_what_it_was_promised_and_what_it_costs(inked_farm):
    told = {letter.key.split(":")[1]: letter for letter in letters("promised")}

    assert set(told) == {str(number) for number in range(4901, 4915)}
    letter = told["4902"].text
    assert "PLT plug       asked  12, promised   8" in letter
    assert "APT base       asked   6, promised   3" in letter
    assert "Freight about $" in letter and "within 4 h of the delivered scan" in letter
    assert "RMG prop-10    asked   2, promised   0" in told["4905"].text
    assert "To pay: net 14 days from the invoice." in letter
    assert "To pay: by card before it ships." in told["4909"].html


def test_a_box_that_the_weather_changed_is_told_and_a_clear_one_is_not(drawn_farm):
    told = {letter.key.split(":")[1] for letter in letters("weather changed your box")}
    changed = PackPlan.objects.exclude(verdict="clear", delivery="door").values_list(
        "order__number", flat=True
    )
    assert told == set(changed) and told


def test_on_the_road_and_delivered_say_until_when_to_report(arrived_farm):
    road = {letter.key.split("-")[1].split(":")[0]: letter for letter in letters("on the road")}
    there = {letter.key.split("-")[1].split(":")[0]: letter for letter in letters("delivered")}

    assert set(road) == set(there) and "4902" in road
    assert "Tracking number SW4902." in road["4902"].text
    assert "A report counts until Wed 2 Dec, 14:12" in there["4902"].text
    assert there["4902"].action == "Report on order 4902"
    # 4902 carries TLW of toxin grade 2; nothing in 4912 is toxic.
    assert "possible palytoxin" in road["4902"].text
    assert "palytoxin" not in road["4912"].text


def test_growers_hear_at_six_which_tray_to_count_first_once_a_day(published_farm):
    before = len(letters("recount me"))
    tick(farm_time("2026-12-01 05:59"))
    assert len(letters("recount me")) == before
    tick(farm_time("2026-12-01 06:00"))
    tick(farm_time("2026-12-01 06:00"))
    tick(farm_time("2026-12-01 11:00"))

    told = letters("recount me", written_at=farm_time("2026-12-01 06:00"))
    assert [letter.user.code for letter in told] == ["G1", "G2", "G3"]
    rows = places_to_look_first(now=told[0].written_at, most=999)
    first = next(row for row in rows if row.gain_pieces)
    assert told[0].action_url.endswith(f"/t/{first.place}/")
    assert f"Recount {first.place}: +{first.gain_pieces} likely" in told[0].text
    assert len(letters("recount me")) == before + 3


def test_the_lead_hears_on_the_morning_of_the_last_clean_look(arrived_farm):
    Hold.objects.update(needs_looks=2)
    hold = Hold.objects.get(state__in=Hold.OPEN)
    assert len(hold.counted_looks()) == 1
    due = farm_time("2026-12-04 06:00")
    tick(due - timedelta(days=1))
    assert not letters("last clean look due", written_at=due - timedelta(days=1))
    tick(due)
    tick(due + timedelta(hours=1))

    told = [letter for letter in letters("last clean look due") if letter.written_at == due]
    assert [letter.user.code for letter in told] == ["LD"]


def test_a_rule_past_its_review_is_told_once_to_office_and_owner(published_farm):
    RegionRule.objects.filter(region="US-NY").update(review_by=date(2026, 11, 26))
    write_due(now=farm_time("2026-11-26 07:00"))
    write_due(now=farm_time("2026-11-26 08:00"))
    write_due(now=farm_time("2026-11-27 07:00"))

    told = letters("law row past review")
    assert [letter.user.code for letter in told] == ["OF", "OW"]
    assert "US-NY" in told[0].text


def test_a_signed_recall_is_told_to_the_shops_it_touches_and_a_drill_to_nobody(farm, person):
    hold = Hold.objects.get(code="HD-1")
    for is_drill in (True, False):
        recall = ask_recall(now=farm_now(), user=person("OF"), hold=hold, is_drill=is_drill)
        assert not letters("hold touches you"), "nobody is told before it is signed"
        sign_recall(recall=recall, user=person("OW"), now=farm_now())
        tick(farm_now())

    told = {letter.user.code: letter for letter in letters("hold touches you")}
    assert set(told) == {"B02", "B04", "B06", "B08"}
    notice = recall.notices.get(customer__code="C02")
    assert notice.text.split(chr(10))[0] in told["B02"].text
    assert told["B02"].action_url.endswith(f"/notices/{notice.pk}/")
    assert told["B02"].text.count("http") == told["B02"].html.count("href=") == 1


def test_every_letter_of_the_week_has_one_action_and_leaves_once(arrived_farm):
    written = list(Message.objects.all())
    assert len(written) > 70
    for letter in written:
        assert letter.html.count("href=") == 1 and letter.action_url in letter.html
        assert letter.text.count("http") == 1 and letter.action_url in letter.text
        assert letter.action_url.startswith(settings.FARM_ADDRESS + "/")
        assert "None" not in letter.text

    mail.outbox.clear()
    assert post_letters().sent == len(written)
    assert post_letters().sent == 0
    ids = [letter.extra_headers["Message-ID"] for letter in mail.outbox]
    assert len(ids) == len(set(ids)) == len(written)
    out = next(letter for letter in mail.outbox if letter.subject.startswith("Availability"))
    name, content, kind = out.attachments[0]
    assert (name, kind) == ("availability-2026-W49.pdf", "application/pdf")
    assert content.startswith(b"%PDF")
    the_sheets_arrive_as_they_were_made(message_from_bytes(out.message().as_bytes()))


def the_sheets_arrive_as_they_were_made(letter):
    """What a mail program takes out of the letter is the list again, in both formats."""
    files = {part.get_filename(): part.get_payload(decode=True) for part in letter.walk()}
    names = sorted(name for name in files if name and name.startswith("list-"))
    code = names[0].removesuffix(".csv").split("-")[-1]
    assert names == [f"list-2026-W49-{code}.csv", f"list-2026-W49-{code}.xlsx"]
    stamp = f"list 2026-W49 version 1 for {code} made 2026-11-25 14:00"
    assert openpyxl.load_workbook(io.BytesIO(files[names[1]])).active["A1"].value == stamp
    assert files[names[0]].startswith(b"\xef\xbb\xbf" + stamp.encode())
    rows = list(csv.reader(io.StringIO(files[names[0]].decode("utf-8-sig"), newline="")))
    assert len(rows) > 40 and {len(row) for row in rows[1:]} == {13}


def test_each_kind_s_one_action_opens_a_page_its_reader_may_see(arrived_farm, client):
    kinds = set(Message.objects.values_list("kind", flat=True))
    assert len(kinds) >= 8
    for kind in kinds:
        letter = letters(kind)[0]
        client.force_login(letter.user)
        path = letter.action_url.removeprefix(settings.FARM_ADDRESS)
        assert client.get(path, follow=True).status_code == 200, (kind, path)


def test_a_late_or_repeated_tick_writes_nothing_twice(arrived_farm):
    before = set(Message.objects.values_list("key", flat=True))
    for _ in range(2):
        tick(farm_time("2026-12-02 13:00"))

    assert set(Message.objects.values_list("key", flat=True)) == before


def test_with_nothing_due_the_letters_cost_a_handful_of_statements(
    open_farm, django_assert_max_num_queries
):
    now = farm_now()
    tick(now)
    # The morning's mark, the open lists, the mark and hour of each, the reviews' mark.
    with django_assert_max_num_queries(5):
        walk_messages.write_due(now=now, look=lambda: [])
        write_due(now=now)
    mail.outbox.clear()
    post_letters()
    with django_assert_max_num_queries(1):
        post_letters()

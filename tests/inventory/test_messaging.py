"""Letters: written once with their cause, handed over once, tried again, parked."""

from datetime import timedelta
from email import message_from_bytes, policy

import pytest
from django.conf import settings
from django.db import transaction
from django.urls import reverse

from config.ticking import hand_on_happenings
from inventory.clock import is_first, machine_now
from inventory.errors import ForbiddenMove, NotAllowed
from inventory.holds import raise_hold
from inventory.messaging import (
    Action,
    File,
    Letter,
    deliver_messages,
    try_again,
    wait_after,
    write_messages,
)
from inventory.models import Happening, Message
from inventory.setting_book import SettingBook
from tests.inventory.mail_door import MailDoor

NOW = machine_now().replace(microsecond=0)


@pytest.fixture
def door(settings):
    """Points the farm's post at a server made with some faults."""
    made = []

    def make(**faults):
        made.append(MailDoor(**faults))
        settings.EMAIL_BACKEND = "django.core.mail.backends.smtp.EmailBackend"
        settings.EMAIL_HOST, settings.EMAIL_PORT = "127.0.0.1", made[-1].port
        settings.EMAIL_TIMEOUT = 5
        return made[-1]

    yield make
    for one in made:
        one.close()


@pytest.fixture
def write(farm, person):
    """Writes a letter with a key; the farm supplies readers and settings."""
    Message.objects.all().delete()

    def one(key, code="B02", **more):
        letter = Letter(
            key=key, kind="recount me", user=person(code), subject=f"Subject of {key}",
            why="a test asks", action=Action("Do it", "/do/it/"), template="recount",
            context={"first": {"place": "T1.1", "words": "count it"}}, **more,
        )  # fmt: skip
        return next(iter(write_messages([letter], now=NOW)), None)

    return one


def deliver(after=timedelta(), makers=None):
    return deliver_messages(now=NOW + after, makers=makers or {})


def test_one_cause_and_reader_writes_one_letter(write):
    first = write("a")

    assert write("a") is None
    assert write("a", code="B03").message_id != first.message_id
    assert Message.objects.count() == 2


def test_four_hundred_letters_are_written_in_a_handful_of_statements(
    farm, person, django_assert_max_num_queries
):
    reader = person("B02")
    letters = [
        Letter(
            key=f"k{number}", kind="recount me", user=reader, subject="s", why="w",
            action=Action("a", "/"), template="recount", context={"first": {"words": "x"}},
        )
        for number in range(400)
    ]  # fmt: skip
    # SQLite takes 999 values a statement, so nine of these write; PostgreSQL needs one.
    with django_assert_max_num_queries(14):
        write_messages(letters, now=NOW)
    assert Message.objects.filter(subject="s").count() == 400


def test_a_letter_goes_with_its_cause_when_that_is_taken_back(write):
    with pytest.raises(ZeroDivisionError), transaction.atomic():
        write("a")
        raise ZeroDivisionError

    assert not Message.objects.exists()


def test_a_letter_written_again_after_a_restore_has_its_old_message_id(write):
    before = write("a").message_id
    Message.objects.all().delete()

    assert write("a").message_id == before


def test_a_letter_is_whole_both_plain_and_drawn_with_its_file_and_one_action(write, door):
    server = door()
    message = write("a", attachments=(("sheet", {"week": "2026-W49"}),))
    made = []

    def make_sheet(facts):
        made.append(facts)
        return File("list.csv", b"listing,asked\r\n", "text/csv")

    write("b", code="B03", attachments=(("sheet", {"week": "2026-W49"}),))
    assert deliver(makers={"sheet": make_sheet}).sent == 2

    letter = message_from_bytes(server.kept[0], policy=policy.default)
    assert letter["Message-ID"] == message.message_id
    assert letter["To"].addresses[0].addr_spec == "buyer@gullwickaquaria.example"
    assert letter["From"].addresses[0].addr_spec == "office@saltmarrow.example"
    html = letter.get_body(("html",)).get_content()
    text = letter.get_body(("plain",)).get_content()
    assert html.count("href=") == text.count("http") == 1
    assert f"{settings.FARM_ADDRESS}/do/it/" in html and f"{settings.FARM_ADDRESS}/do/it/" in text
    assert [part.get_filename() for part in letter.iter_attachments()] == ["list.csv"]
    assert made == [{"week": "2026-W49"}], "one file is made once a round"


@pytest.mark.parametrize("moment", ["before answer", "at greeting"])
def test_a_server_killed_half_way_delivers_each_letter_once(write, door, moment):
    """It dies with a whole letter read and not answered, and with three more waiting."""
    server = door(dies=[moment])
    ids = [write(key).message_id for key in "abcd"]

    first = deliver()
    assert (first.sent, first.later, server.kept) == (0, 4, [])
    assert deliver().sent == 0, "nothing is tried before its wait is over"
    assert deliver(timedelta(minutes=2)).sent == 4
    assert deliver(timedelta(hours=9)).sent == 0

    assert server.ids() == ids


def test_a_server_killed_after_some_letters_does_not_get_those_again(write, door):
    server = door(dies=["", "", "before answer"])
    ids = [write(key).message_id for key in "abcd"]

    assert deliver().sent == 2
    assert deliver(timedelta(minutes=2)).sent == 2
    assert server.ids() == ids


def test_the_one_case_nobody_can_know_repeats_under_the_same_message_id(write, door):
    """RFC 1047: kept by a server that died before its answer. The reader's service can tell."""
    server = door(dies=["after keeping"])
    message = write("a")
    deliver()
    deliver(timedelta(minutes=2))

    assert server.ids() == [message.message_id] * 2
    assert len(set(server.ids())) == 1


def test_a_sender_killed_with_a_letter_in_hand_leaves_it_to_the_next(write, door):
    server = door()
    message = write("a")
    Message.objects.update(state="handing", claimed_at=NOW, tries=1)

    assert deliver(timedelta(minutes=9)).sent == 0, "its sender may still be at work"
    assert deliver(timedelta(minutes=11)).sent == 1
    assert server.ids() == [message.message_id]


def test_a_letter_in_one_sender_s_hands_is_not_taken_by_another(write, door, monkeypatch):
    server = door()
    write("a", attachments=(("slow", {}),))
    inner = []

    def slow(facts):
        inner.append(deliver(makers={"slow": slow}).sent)
        return File("a.txt", b"a", "text/plain")

    assert deliver(makers={"slow": slow}).sent == 1
    assert inner == [0] and len(server.kept) == 1


def test_an_address_refused_for_good_is_parked_at_once_and_the_others_go_on(write, door, person):
    server = door(refuses={"buyer@gullwickaquaria.example": "550 no such person"})
    refused = write("a")
    write("b", code="B03")

    done = deliver()
    refused.refresh_from_db()
    assert (done.sent, done.parked, len(server.kept)) == (1, 1, 1)
    assert refused.state == "parked" and "550 no such person" in refused.last_error

    server.refuses.clear()
    with pytest.raises(NotAllowed):
        try_again(message_id=refused.pk, user=person("G1"))
    try_again(message_id=refused.pk, user=person("OF"))
    assert deliver(timedelta(days=1)).sent == 1
    assert server.ids()[-1] == refused.message_id
    with pytest.raises(ForbiddenMove, match="only a parked message is tried again by hand"):
        try_again(message_id=refused.pk, user=person("OF"))


def test_a_letter_refused_for_now_waits_longer_each_time_and_is_parked_at_last(write, door):
    door(refuses={"buyer@gullwickaquaria.example": "451 later"})
    message = write("a")
    book = SettingBook.read(on=NOW.date())
    at, waits = timedelta(), []
    for _ in range(book.whole("mail_tries")):
        assert deliver(at).sent == 0
        message.refresh_from_db()
        if message.next_try_at:
            waits.append(message.next_try_at - NOW - at)
            at = message.next_try_at - NOW

    assert [wait / timedelta(minutes=1) for wait in waits[:5]] == [1, 4, 16, 64, 240]
    assert waits == sorted(waits) and max(waits) == timedelta(hours=4)
    assert (message.state, message.tries) == ("parked", book.whole("mail_tries"))
    assert wait_after(tries=99, book=book) == timedelta(hours=4)


def test_a_file_that_cannot_be_made_holds_back_its_own_letter_only(write, door):
    server = door()
    broken = write("a", attachments=(("broken", {}),))
    write("b", code="B03")

    assert deliver(makers={"broken": lambda facts: 1 / 0}).sent == 1
    broken.refresh_from_db()
    assert "ZeroDivisionError" in broken.last_error and len(server.kept) == 1


def test_with_no_server_letters_lie_in_a_folder_one_file_each(write, settings, tmp_path):
    settings.EMAIL_BACKEND = "inventory.mail_folder.MailFolder"
    settings.MAIL_FOLDER = tmp_path / "mail"
    message = write("a")
    write("b", code="B03")
    assert deliver().sent == 2
    Message.objects.update(state="waiting", next_try_at=None)
    assert deliver().sent == 2

    files = sorted(settings.MAIL_FOLDER.iterdir())
    assert len(files) == 2 and {path.suffix for path in files} == {".eml"}
    ids = {message_from_bytes(path.read_bytes())["Message-ID"] for path in files}
    assert message.message_id in ids


def test_what_people_type_neither_ends_a_header_nor_becomes_markup(farm, person, door):
    server = door()
    Message.objects.all().delete()
    hold = raise_hold(
        scope_kind="system", scope="T", reason='film\r\nBcc: <b>x</b> & "y"', grade="suspected",
        at=NOW, user=person("G1"),
    )  # fmt: skip
    hand_on_happenings(now=NOW)
    assert deliver().sent == 2

    letter = message_from_bytes(server.kept[0], policy=policy.default)
    assert letter["Bcc"] is None
    assert letter["Subject"] == f'Hold on {hold.scope}: film Bcc: <b>x</b> & "y"'
    assert "&lt;b&gt;x&lt;/b&gt;" in letter.get_body(("html",)).get_content()
    assert '<b>x</b> & "y"' in letter.get_body(("plain",)).get_content()


def test_something_timed_is_done_by_whoever_comes_first(db):
    assert is_first(key="a", now=NOW)
    assert not is_first(key="a", now=NOW)
    with pytest.raises(ZeroDivisionError), transaction.atomic():
        is_first(key="b", now=NOW)
        raise ZeroDivisionError
    assert is_first(key="b", now=NOW), "a claim whose work failed goes with it"


def test_the_staff_see_what_was_sent_and_try_parked_ones_again(write, client, person):
    message = write("a")
    Message.objects.update(state="parked", tries=3, last_error="550 no such person")
    client.force_login(person("OF"))

    page = client.get(reverse("messages")).content.decode()
    assert "Subject of a" in page and "550 no such person" in page and "Try again" in page
    shown = client.get(reverse("message", args=[message.pk])).content.decode()
    assert "As its reader sees it" in shown and "srcdoc=" in shown
    client.post(reverse("message-again", args=[message.pk]))
    message.refresh_from_db()
    assert message.state == "waiting"
    assert "could not be delivered" not in client.get(reverse("today")).content.decode()


def test_the_first_page_says_when_letters_are_parked(write, client, person):
    write("a")
    Message.objects.update(state="parked")
    client.force_login(person("OF"))

    assert "1 message could not be delivered" in client.get(reverse("today")).content.decode()


def test_a_grower_may_look_but_not_send_and_a_buyer_sees_nothing(write, client, person):
    message = write("a")
    Message.objects.update(state="parked")
    client.force_login(person("G1"))
    assert "Try again" not in client.get(reverse("messages")).content.decode()
    assert client.post(reverse("message-again", args=[message.pk])).status_code == 403
    client.force_login(person("B02"))
    assert client.get(reverse("messages")).status_code == 403
    assert client.get(reverse("message", args=[message.pk])).status_code == 403


def test_no_letter_is_written_by_a_happening_that_nobody_reads(farm):
    Happening.objects.create(kind="stock.sung_to", at=NOW)
    before = Message.objects.count()
    hand_on_happenings(now=NOW)

    assert Message.objects.count() == before

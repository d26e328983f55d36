"""Several people at the same row in the same moment: one edit stands, the others are told."""

from concurrent.futures import ThreadPoolExecutor
from datetime import date
from threading import Barrier

import pytest
from django.db import connection
from tests_support import farm_time

from config import editing
from config.edit_subjects import subject_of
from inventory import log_in_links
from inventory.clock import machine_now
from inventory.errors import FarmError
from inventory.link_seals import token_of
from inventory.models import Change, LogInLink, Setting
from inventory.people import User

pytestmark = pytest.mark.django_db(transaction=True)
NOW = farm_time("2026-12-04 16:00")
TOGETHER = 6


@pytest.fixture
def people():
    for name, value in (("mail_tries", "14"), ("invite_good_h", "72")):
        Setting.objects.create(
            name=name, value=value, confidence="L", owner="office lead",
            set_on=date(2026, 1, 1), reason="a usual number",
        )  # fmt: skip
    return [
        User.objects.create_user(f"o{n}@farm.example", code=f"O{n}", name=f"O{n}", role="office")
        for n in range(TOGETHER)
    ]


def at_once(act, many):
    """What each got, all let go together: "done" or the code of the refusal."""
    start = Barrier(len(many), timeout=30)

    def go(one):
        try:
            start.wait()
            act(one)
        except FarmError as error:
            return error.code
        finally:
            connection.close()
        return "done"

    with ThreadPoolExecutor(len(many)) as runners:
        return sorted(runners.map(go, many))


def test_of_people_who_sign_the_same_form_at_once_one_stands(people):
    subject = subject_of("settings")
    row = subject.find("mail_tries")
    seen = editing.seen_mark(subject=subject, row=row, on=date(2026, 12, 4))

    def edit_of(user):
        typed = {
            "value": str(20 + people.index(user)), "confidence": "L", "starts_on": "2026-12-04",
            "because": "tried it", "seen": seen,
        }  # fmt: skip
        shown = editing.show(editing.Asked(subject, row, typed, NOW, user))
        return user, typed, shown.mark

    def sign(edit):
        user, typed, mark = edit
        editing.sign(editing.Asked(subject, row, typed, NOW, user), mark=mark)

    answers = at_once(sign, [edit_of(user) for user in people])

    assert answers == ["done"] + ["edited_meanwhile"] * (TOGETHER - 1)
    change = Change.objects.get()
    kept = Setting.objects.get(name="mail_tries", set_on=date(2026, 12, 4))
    assert (change.now, change.was) == (kept.value, "14")


def test_of_readers_who_use_one_link_at_once_one_sets_the_password(people):
    owner = User.objects.create_user("w@farm.example", code="OW", name="W", role="owner")
    log_in_links.mail_link(user=people[0], kind="invite", by=owner, now=machine_now(), at=NOW)
    token = token_of(LogInLink.objects.get())
    words = [f"seven slow herons wade {n}" for n in range(TOGETHER)]

    answers = at_once(
        lambda word: log_in_links.set_password(
            token=token, password=word, again=word, now=machine_now()
        ),
        words,
    )

    assert answers == ["done"] + ["link_not_good"] * (TOGETHER - 1)
    people[0].refresh_from_db()
    assert sum(people[0].check_password(word) for word in words) == 1

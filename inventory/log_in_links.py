"""HOP people: who is invited, who sets a new password, who is switched off.

Call from: config/edit_people.py, config/people_pages.py.
Locks: a link is used by a guarded update, so that of two readers of one letter the first sets it.

A password never stands in a letter, a row or a log. A letter carries a link; the word in the link
is reckoned from the link's row and the farm's secret key when the letter is handed over, so that
neither the messages page nor a copy of the database lets anybody in. By the machine's clock, as
every log-in.
"""

from datetime import datetime, timedelta

from django.contrib.auth.password_validation import validate_password
from django.core.exceptions import ValidationError
from django.db import transaction
from django.utils import timezone
from django.utils.crypto import constant_time_compare

from inventory.changing import note_change
from inventory.errors import FarmError
from inventory.link_seals import SEALED_LINK, TOKEN, seal_of
from inventory.messaging import Action, Letter, write_messages
from inventory.models import LogInLink, Phone
from inventory.people import Role, User
from inventory.setting_book import SettingBook

# A second letter within this time would only fill a reader's box.
BETWEEN_ASKS = timedelta(minutes=5)
GOOD_H = {"invite": "invite_good_h", "reset": "reset_good_h"}


class LinkNotGood(FarmError):
    code = "link_not_good"
    status = 410
    title = "That link is not good any more"
    message = "It {why}. Ask for a new one under “Log in”, or ask the office."


class PasswordTooWeak(FarmError):
    code = "password_too_weak"
    status = 422
    title = "That password will not do"
    message = "{why} Type another."


class LastOwner(FarmError):
    code = "last_owner"
    title = "The farm needs an owner"
    message = "{name} is the only owner who can log in. Make somebody else an owner first."


class SwitchedOff(FarmError):
    code = "person_switched_off"
    title = "That person is switched off"
    message = "{name} is switched off and gets no link. Switch the person on first."


@transaction.atomic
def mail_link(*, user: User, kind: str, by: User | None, now: datetime, at: datetime) -> LogInLink:
    """Write a letter with a link that sets a password once. Older links of the person end.

    ``now`` is the machine's clock, ``at`` the farm's. Raises SwitchedOff, NotAllowed.
    """
    if by is not None:
        by.must("edit_owners" if user.role == Role.OWNER and by.pk != user.pk else "edit_people")
    if not user.is_active:
        raise SwitchedOff(name=user.name)
    LogInLink.objects.filter(user=user, used_at=None, void_at=None).update(void_at=now)
    hours = SettingBook.read(on=timezone.localdate(at)).whole(GOOD_H[kind])
    link = LogInLink.objects.create(
        user=user, kind=kind, made_at=now, expires_at=now + timedelta(hours=hours), made_by=by
    )
    write_messages([_letter(link, hours)], now=at)
    return link


def _letter(link: LogInLink, hours: int) -> Letter:
    is_invite = link.kind == LogInLink.Kind.INVITE
    return Letter(
        key=f"{link.kind}:{link.pk}",
        kind=link.kind,
        user=link.user,
        subject="Your way into Slackwater" if is_invite else "Set a new password",
        why="you were invited" if is_invite else "a new password was asked for",
        action=Action("Set a password", SEALED_LINK.format(link.pk)),
        template="log_in_link",
        context={"is_invite": is_invite, "hours": hours, "by": link.made_by},
    )


def ask_reset(*, email: str, now: datetime, at: datetime) -> None:
    """A reader asks for a link by address. Says nothing: who is known here is nobody's business."""
    user = User.objects.filter(email=email.strip().lower(), is_active=True).first()
    if user is None:
        return
    with transaction.atomic():
        User.objects.select_for_update().get(pk=user.pk)
        if LogInLink.objects.filter(user=user, made_at__gt=now - BETWEEN_ASKS).exists():
            return
        mail_link(user=user, kind=LogInLink.Kind.RESET, by=None, now=now, at=at)


def link_of(*, token: str, now: datetime) -> LogInLink:
    """The link of a word, if it is good still. Raises LinkNotGood."""
    found = TOKEN.fullmatch(token)
    link = (
        LogInLink.objects.select_related("user").filter(pk=int(found[1])).first() if found else None
    )
    if found is None or link is None or not constant_time_compare(seal_of(link), found[2]):
        raise LinkNotGood(why="was not made here or was cut off on its way")
    why = ""
    if link.used_at is not None:
        why = "was used already"
    elif link.void_at is not None:
        why = "was followed by a newer one"
    elif now >= link.expires_at:
        why = f"was good until {timezone.localtime(link.expires_at):%a %-d %b, %H:%M}"
    elif not link.user.is_active:
        why = "belongs to a person who is switched off"
    if why:
        raise LinkNotGood(why=why)
    return link


@transaction.atomic
def set_password(*, token: str, password: str, again: str, now: datetime) -> User:
    """Set a password by a link, which is then used up; every open session of the person ends.

    Raises LinkNotGood, PasswordTooWeak.
    """
    link = link_of(token=token, now=now)
    user = link.user
    if password != again:
        raise PasswordTooWeak(why="The two are not the same.")
    try:
        validate_password(password, user)
    except ValidationError as error:
        raise PasswordTooWeak(why=" ".join(error.messages)) from None
    used = LogInLink.objects.filter(pk=link.pk, used_at=None, void_at=None).update(used_at=now)
    if used != 1:
        raise LinkNotGood(why="was used in the same moment")
    user.set_password(password)
    user.save(update_fields=["password"])
    return user


@transaction.atomic
def switch_off(*, user: User, by: User, reason: str, at: datetime, now: datetime) -> None:
    """Take a person's way in: log-in, open links, phones. What the person did stays with the name.

    Raises LastOwner, NotAllowed, ReasonMissing.
    """
    by.must("edit_owners" if user.role == Role.OWNER else "edit_people")
    keep_an_owner(user)
    User.objects.filter(pk=user.pk).update(is_active=False)
    user.is_active = False
    LogInLink.objects.filter(user=user, used_at=None, void_at=None).update(void_at=now)
    Phone.objects.filter(user=user, revoked_at=None).update(revoked_at=at, revoked_by=by)
    note_change(
        what="person", name=user.code, field="May log in", was=True, now_is=False,
        reason=reason, user=by, at=at,
    )  # fmt: skip


def keep_an_owner(user: User) -> None:
    """Raise LastOwner where nobody else could sign what only an owner signs."""
    owners = User.objects.select_for_update().filter(role=Role.OWNER, is_active=True)
    if [owner.pk for owner in owners] == [user.pk]:
        raise LastOwner(name=user.name)

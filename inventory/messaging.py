"""Messages: written in the transaction of their cause, handed to the mail server after it.

Call from: the writers (walk_messages, order_messages, ship_messages), config/posting.py.
Locks: none is kept while a server is spoken to. A letter is claimed by a guarded update that is
committed first, so that two senders never hand the same one over.

What can be known: a letter is sent once the server has answered 250, and that is committed letter
by letter. Where a server takes the whole letter and dies before it answers, nobody can know whether
it kept it (RFC 1047). That letter is tried again under the same Message-ID, by which the reader's
own mail service can tell the second copy; it is the only case that can repeat.
"""

import logging
import smtplib
from collections.abc import Callable, Iterable, Mapping
from dataclasses import dataclass
from datetime import datetime, timedelta
from email.utils import formataddr
from typing import Any

from django.conf import settings
from django.core.mail import EmailMultiAlternatives, get_connection
from django.core.mail.backends.base import BaseEmailBackend
from django.db import transaction
from django.db.models import F
from django.template.loader import render_to_string
from django.utils import timezone
from django.utils.crypto import salted_hmac

from inventory.errors import FarmError, ForbiddenMove
from inventory.link_seals import reveal
from inventory.mail_inks import mail_inks
from inventory.models import Message, Site
from inventory.people import Role, User
from inventory.setting_book import SettingBook

AT_ONCE = 200
log = logging.getLogger(__name__)


class LetterNotMade(FarmError):
    code = "letter_not_made"
    status = 500
    title = "A letter cannot be made"
    message = "The letter {subject} cannot be made: {what}. Mend that, then press Try again."


@dataclass(frozen=True, slots=True)
class File:
    """A file that goes with a letter."""

    name: str
    content: bytes
    kind: str


Maker = Callable[[Mapping[str, Any]], File]


@dataclass(frozen=True, slots=True)
class Action:
    """The one thing a reader can do from a letter: what it says, and where it leads."""

    words: str
    path: str


@dataclass(frozen=True, slots=True)
class Letter:
    """One letter to be written. ``key`` names its cause; the reader is added to it.

    ``template`` names mail/NAME.html and mail/NAME.txt; ``attachments`` name a maker and its facts.
    """

    key: str
    kind: str
    user: User
    subject: str
    why: str
    action: Action
    template: str
    context: Mapping[str, Any]
    attachments: tuple[tuple[str, Mapping[str, Any]], ...] = ()

    @property
    def own_key(self) -> str:
        return f"{self.key}:{self.user.code}"


def write_messages(letters: Iterable[Letter], *, now: datetime) -> list[Message]:
    """Write letters in the caller's transaction, less those that are written already.

    Two statements and one for each 500 letters, so that thousands of shops hear of a list at once.
    """
    wanted = {letter.own_key: letter for letter in letters}
    site = Site.objects.filter(is_origin=True).first()
    house = {
        "farm_name": site.name if site else "The farm",
        "farm_town": site.town if site else "",
        "inks": mail_inks(),
    }
    keys = list(wanted)
    for start in range(0, len(keys), AT_ONCE):
        some = Message.objects.filter(key__in=keys[start : start + AT_ONCE])
        for known in some.values_list("key", flat=True):
            del wanted[known]
    rows = [_draw(letter, house, now) for letter in wanted.values()]
    return Message.objects.bulk_create(rows, batch_size=500)


def _draw(letter: Letter, house: Mapping[str, Any], now: datetime) -> Message:
    # A reason typed on two lines must not end the subject's header.
    subject = " ".join(letter.subject.split())[:200]
    url = f"{settings.FARM_ADDRESS}{letter.action.path}"
    shown = {
        **house,
        **letter.context,
        "subject": subject,
        "reader": letter.user,
        "action": letter.action,
        "action_url": url,
        "why": letter.why,
    }
    return Message(
        key=letter.own_key,
        kind=letter.kind,
        why=letter.why[:200],
        user=letter.user,
        to_name=letter.user.name,
        to_address=letter.user.email,
        subject=subject,
        text=_plain(render_to_string(f"mail/{letter.template}.txt", shown)),
        html=render_to_string(f"mail/{letter.template}.html", shown),
        action=letter.action.words[:120],
        action_url=url[:300],
        attachments=[[maker, dict(facts)] for maker, facts in letter.attachments],
        message_id=_message_id(letter.own_key),
        written_at=now,
    )


def _plain(text: str) -> str:
    """Text as a letter carries it: no blank ends, at most one blank line at a time."""
    lines: list[str] = []
    for line in text.strip().splitlines():
        if line.strip() or (lines and lines[-1]):
            lines.append(line.rstrip())
    return "\n".join(lines) + "\n"


def _message_id(key: str) -> str:
    """Made once from the key: a farm restored from yesterday writes the same letter under it."""
    return (
        f"<{salted_hmac('slackwater.message', key, algorithm='sha256').hexdigest()[:40]}@{host()}>"
    )


def host() -> str:
    """The farm's own name on the net, without its port."""
    return str(settings.FARM_ADDRESS).split("//")[-1].split("/")[0].split(":")[0]


@dataclass(slots=True)
class Delivery:
    """What one round of the post did."""

    sent: int = 0
    later: int = 0
    parked: int = 0


def deliver_messages(*, now: datetime, makers: Mapping[str, Maker]) -> Delivery:
    """Hand over every letter that is due by the machine's clock. Safe beside another sender."""
    done = Delivery()
    if not Message.objects.filter(state__in=["waiting", "handing"]).exists():
        return done
    book = SettingBook.read(on=timezone.localdate(now))
    _take_over(now, book)
    due = list(Message.objects.due(now).values_list("pk", flat=True)[:AT_ONCE])
    if not due:
        return done
    mail = get_connection()
    files: dict[str, File] = {}
    try:
        for message_id in due:
            message = _claim(message_id, now)
            if message is not None and not _hand_over(
                message, mail, makers, files, now, book, done
            ):
                break
    finally:
        _close(mail)
    return done


def _take_over(now: datetime, book: SettingBook) -> None:
    """A sender that was killed leaves its claim; after a while the letter waits again."""
    old = now - timedelta(minutes=book.whole("mail_claim_min"))
    Message.objects.filter(state=Message.State.HANDING, claimed_at__lt=old).update(
        state=Message.State.WAITING, next_try_at=None, last_error="its sender ended half-way"
    )


def _claim(message_pk: int, now: datetime) -> Message | None:
    """Take a letter for this sender, in a transaction of its own that ends here."""
    with transaction.atomic(durable=True):
        claimed = Message.objects.filter(pk=message_pk, state=Message.State.WAITING).update(
            state=Message.State.HANDING, claimed_at=now, tries=F("tries") + 1
        )
    return Message.objects.get(pk=message_pk) if claimed == 1 else None


def _hand_over(
    message: Message,
    mail: BaseEmailBackend,
    makers: Mapping[str, Maker],
    files: dict[str, File],
    now: datetime,
    book: SettingBook,
    done: Delivery,
) -> bool:
    """Hand one letter over and note how it went. False where the server is gone."""
    try:
        letter = _letter(message, makers, files)
        mail.open()
        letter.connection = mail
        letter.send()
    except smtplib.SMTPRecipientsRefused as refusal:
        answer = next(iter(refusal.recipients.values()))
        _put_back(message, now, book, done, _said(*answer), is_final=answer[0] >= 500)
    except smtplib.SMTPDataError as refusal:
        words = _said(refusal.smtp_code, refusal.smtp_error)
        _put_back(message, now, book, done, words, is_final=refusal.smtp_code >= 500)
    except (smtplib.SMTPException, OSError) as failure:
        _put_back(message, now, book, done, f"the mail server: {failure}")
        _wait_with(now, book, done, f"the mail server: {failure}")
        return False
    except Exception as failure:
        log.exception("letter %s could not be made", message.pk)
        # What cannot be made today waits like what cannot be sent; the others go on.
        _put_back(message, now, book, done, f"{type(failure).__name__}: {failure}")
    else:
        Message.objects.filter(pk=message.pk).update(
            state=Message.State.SENT, sent_at=now, next_try_at=None, last_error=""
        )
        done.sent += 1
    return True


def _said(code: int, words: bytes | str) -> str:
    text = words.decode(errors="replace") if isinstance(words, bytes) else words
    return f"the mail server refused it: {code} {text}"


def _letter(
    message: Message, makers: Mapping[str, Maker], files: dict[str, File]
) -> EmailMultiAlternatives:
    """The letter as it leaves: plain text, HTML beside it, files, and its one Message-ID."""
    letter = EmailMultiAlternatives(
        subject=message.subject,
        body=reveal(message.text),
        from_email=sender(),
        to=[formataddr((message.to_name, message.to_address))],
        headers={"Message-ID": message.message_id, "Auto-Submitted": "auto-generated"},
    )
    letter.attach_alternative(reveal(message.html), "text/html")
    for maker, facts in message.attachments:
        if maker not in makers:
            raise LetterNotMade(subject=message.subject, what=f"nothing makes {maker}")
        # Many readers get the same list: it is made once a round.
        name = f"{maker} {sorted(facts.items())}"
        if name not in files:
            files[name] = makers[maker](facts)
        file = files[name]
        letter.attach(file.name, file.content, file.kind)
    return letter


def sender() -> str:
    """Who a letter is from: FARM_MAIL_FROM, or else the office."""
    if settings.FARM_MAIL_FROM:
        return str(settings.FARM_MAIL_FROM)
    site = Site.objects.filter(is_origin=True).first()
    office = User.objects.filter(role=Role.OFFICE, is_active=True).order_by("pk").first()
    name = site.name if site else "The farm"
    return formataddr((name, office.email if office else f"farm@{host()}"))


def _put_back(
    message: Message,
    now: datetime,
    book: SettingBook,
    done: Delivery,
    error: str,
    *,
    is_final: bool = False,
) -> None:
    """Let a letter wait longer each time; park it when it is refused or was tried enough."""
    is_parked = is_final or message.tries >= book.whole("mail_tries")
    Message.objects.filter(pk=message.pk, state=message.state).update(
        state=Message.State.PARKED if is_parked else Message.State.WAITING,
        next_try_at=None if is_parked else now + wait_after(tries=message.tries, book=book),
        tries=message.tries,
        last_error=error[:300],
    )
    done.parked += is_parked
    done.later += not is_parked


def wait_after(*, tries: int, book: SettingBook) -> timedelta:
    """How long a letter waits after so many tries: longer each time, up to a most."""
    wait_min = book.number("mail_wait_first_min") * book.number("mail_wait_factor") ** (tries - 1)
    return timedelta(minutes=min(wait_min, 60 * book.number("mail_wait_most_h")))


def _wait_with(now: datetime, book: SettingBook, done: Delivery, error: str) -> None:
    """A server that is gone is gone for every letter: the try counts for all that were due."""
    for message in list(Message.objects.due(now)[:AT_ONCE]):
        message.tries += 1
        _put_back(message, now, book, done, error)


def _close(mail: BaseEmailBackend) -> None:
    try:
        mail.close()
    except (smtplib.SMTPException, OSError):
        # The letters are noted one by one; a farewell that fails takes nothing back.
        return


def try_again(*, message_id: int, user: User) -> Message:
    """Let a parked letter wait anew, under its own Message-ID. Raises ForbiddenMove, NotAllowed."""
    user.must("send_messages_again")
    with transaction.atomic():
        message = Message.objects.select_for_update().get(pk=message_id)
        if message.state != Message.State.PARKED:
            raise ForbiddenMove(
                kind="Message",
                name=message.subject,
                state=message.get_state_display(),
                wanted="waiting",
                why="only a parked message is tried again by hand",
            )
        message.state, message.tries, message.next_try_at = Message.State.WAITING, 0, None
        message.save(update_fields=["state", "tries", "next_try_at"])
    return message

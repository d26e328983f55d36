"""Edits that are typed and not written yet: drafts for a signature, and signed ones for their day.

Call from: config/editing.py, config/edit_pages.py, config/ticking.py.
Locks: the waiting row, by a guarded update; then those of the edit that is written.
"""

from __future__ import annotations

from collections.abc import Iterable, Mapping
from datetime import datetime
from typing import TYPE_CHECKING, Any

from django.db import transaction
from django.db.models import Q
from django.urls import reverse
from django.utils import timezone

from config.edit_fields import as_text
from inventory.clock import doing_once
from inventory.errors import FarmError, ForbiddenMove, ReasonMissing
from inventory.messaging import Action, Letter, write_messages
from inventory.models import Change, WaitingEdit
from inventory.people import RIGHTS, User

if TYPE_CHECKING:
    from config.editing import Asked, Shown, Subject


class EditWaitsAlready(FarmError):
    code = "edit_waits_already"
    title = "That waits already"
    message = "{what}: {who} has typed the same and it waits. Take that back, or leave it."


def keep(asked: Asked, *, shown: Shown, is_signed: bool) -> WaitingEdit:
    """Keep an edit with the fields that differ.

    Raises ReasonMissing, and EditWaitsAlready for one that waits word for word.
    """
    subject, row, typed, user = asked.subject, asked.row, asked.typed, asked.user
    if not typed.get("because", "").strip():
        raise ReasonMissing(what=f"a change of {shown.name}")
    labels = {changed.label for changed in shown.changed}
    fields = [field for field in subject.fields(row) if row is None or field.label in labels]
    key = subject.key_of(row) if row is not None else "new"
    kept = {field.name: typed.get(field.name, "") for field in fields}
    for other in open_edits(subjects=[subject.key], key=key):
        is_same = (other.typed, other.starts_on) == (kept, shown.starts_on)
        if is_same and (other.signed_by is not None) == is_signed:
            raise EditWaitsAlready(what=shown.words, who=other.user.name)
    return WaitingEdit.objects.create(
        subject=subject.key,
        key=key,
        name=shown.name[:80],
        words=shown.words[:400],
        typed=kept,
        starts_on=shown.starts_on,
        reason=typed.get("because", "").strip()[:300],
        user=user,
        at=asked.now,
        signed_by=user if is_signed else None,
        signed_at=asked.now if is_signed else None,
    )


def tell_signers(*, subject: Subject, waiting: WaitingEdit, now: datetime) -> None:
    """A letter to whoever may sign a draft, with what would change and why."""
    roles = RIGHTS[subject.sign_right]
    address = reverse("edit-row", args=[waiting.subject, waiting.key])
    letters = [
        Letter(
            key=f"edit waits:{waiting.pk}",
            kind="edit waits",
            user=user,
            subject=f"{waiting.user.name} asks you to sign: {waiting.words}",
            why=f"you sign changes of {subject.title.lower()}",
            action=Action("Read it and sign", f"{address}?waiting={waiting.pk}"),
            template="edit_waits",
            context={"waiting": waiting, "starts": f"{waiting.starts_on:%a %-d %b %Y}"},
        )
        for user in User.objects.filter(role__in=roles, is_active=True).order_by("pk")
    ]
    write_messages(letters, now=now)


def open_edits(*, subjects: Iterable[str], key: str | None = None) -> list[WaitingEdit]:
    """What waits for these subjects, or for one row of one of them."""
    rows = WaitingEdit.objects.filter(subject__in=list(subjects), ended_at__isnull=True)
    if key is not None:
        rows = rows.filter(key=key)
    return list(rows.select_related("user", "signed_by"))


def end_signed(*, typed: Mapping[str, str], now: datetime, user: User) -> None:
    """A draft that was signed waits no more."""
    pk = typed.get("waiting", "")
    if pk.isascii() and pk.isdecimal():
        WaitingEdit.objects.filter(pk=int(pk), ended_at=None, signed_by=None).update(
            ended_at=now, outcome=f"signed by {user.name}"[:300]
        )


def drop(*, waiting: WaitingEdit, subject: Subject, row: Any, user: User, now: datetime) -> None:
    """Take a waiting edit back: whoever typed it, or who may sign it. Raises ForbiddenMove."""
    if waiting.user_id != user.pk:
        user.must(subject.sign_right_for(row))
    dropped = WaitingEdit.objects.filter(pk=waiting.pk, ended_at=None).update(
        ended_at=now, outcome=f"taken back by {user.name}"[:300]
    )
    if dropped != 1:
        raise ForbiddenMove(
            kind="Edit", name=waiting.name, state="ended", wanted="taken back", why="it has ended"
        )


def write_due(*, now: datetime) -> None:
    """Write every signed edit whose day has come. Safe late and twice."""
    on = timezone.localdate(now)
    with doing_once(key=f"edits of {on}", now=now) as is_mine:
        if not is_mine:
            return
        due = WaitingEdit.objects.filter(
            starts_on__lte=on, ended_at=None, signed_by__isnull=False
        ).select_related("signed_by")
        for waiting in due:
            _write(waiting, now)


def _write(waiting: WaitingEdit, now: datetime) -> None:
    """Write one; where it cannot be any more, the reason stays with it for the office to read."""
    from config.edit_subjects import subject_of

    try:
        with transaction.atomic():
            subject = subject_of(waiting.subject)
            row = None if waiting.key == "new" else subject.find(waiting.key)
            _nobody_since(subject, row, waiting)
            _write_row(subject, row, waiting, now)
            outcome = "written on its day"
    except FarmError as error:
        outcome = f"not written: {error.sentence}"
    WaitingEdit.objects.filter(pk=waiting.pk).update(ended_at=now, outcome=outcome[:300])


def _write_row(subject: Subject, row: Any, waiting: WaitingEdit, now: datetime) -> None:
    from config import editing

    user = waiting.signed_by
    assert user is not None
    on = timezone.localdate(now)
    standing = {name: as_text(value) for name, value in subject.values(row, on=on).items()}
    typed = {
        **standing,
        **waiting.typed,
        "starts_on": on.isoformat(),
        "because": waiting.reason,
        "seen": editing.seen_mark(subject=subject, row=row, on=on),
    }
    asked = editing.Asked(subject=subject, row=row, typed=typed, now=now, user=user)
    editing.sign(asked, mark=editing.show(asked).mark)


def _nobody_since(subject: Subject, row: Any, waiting: WaitingEdit) -> None:
    """Raise EditedMeanwhile where a field was changed again after the edit was signed."""
    from config.editing import EditedMeanwhile

    if row is None:
        return
    labels = [field.label[:40] for field in subject.fields(row) if field.name in waiting.typed]
    later = Change.objects.filter(
        Q(at__gt=waiting.signed_at),
        what=subject.one[:20],
        name=subject.name_of(row)[:60],
        field__in=labels,
    ).select_related("user")
    last = later.first()
    if last is not None:
        raise EditedMeanwhile(what=waiting.name, who=last.user.name, fields=last.field)

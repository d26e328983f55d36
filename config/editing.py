"""HOP edits: what a person types on an edit page -> the same row anew, dated, with its Change.

One mechanism for every subject: what is typed is read, tried and undone, and everything that it
would touch is named; the signature brings the mark of what was shown back and writes exactly that.

Call from: config/edit_pages.py.
Locks: the row that is edited (Subject.lock), then what its own hop locks. As in config/what_if.py
nothing tried here may call tick(), hand a happening on, write a file or post a letter.
"""

import hashlib
import json
from collections.abc import Mapping, Sequence
from dataclasses import dataclass, replace
from datetime import date, datetime, time, timedelta
from typing import Any, ClassVar
from zoneinfo import ZoneInfo

from django.conf import settings
from django.db import transaction
from django.db.models import Q
from django.utils import timezone

from config import edit_waiting, what_if
from config.edit_fields import Fault, Field, as_text, day
from config.edit_trials import Before, Trial, names_of
from config.what_if_rows import Change as ListChange
from inventory.changing import note_change
from inventory.errors import FarmError
from inventory.models import Change
from inventory.people import User

Values = dict[str, Any]
Touched = list[tuple[str, str]]
NEW = "new"


class EditUnreadable(FarmError):
    code = "edit_unreadable"
    status = 422
    title = "Some fields need mending"
    message = "{first} What you typed is kept below."


class NothingToChange(FarmError):
    code = "nothing_to_change"
    status = 422
    title = "Nothing is different"
    message = "{what} stands like that already. Change at least one field, or leave the page."


class EditedMeanwhile(FarmError):
    code = "edited_meanwhile"
    title = "Somebody else changed it meanwhile"
    message = (
        "{what}: {who} changed {fields} while you were typing. Nothing was written and your text "
        "is kept. Compare it with what stands now and look at the change again."
    )


@dataclass(frozen=True, slots=True)
class RowWords:
    """A row on a subject's list page: how to reach it, and what stands there."""

    key: str
    name: str
    cells: tuple[str, ...]
    group: str = ""


@dataclass(frozen=True, slots=True)
class Changed:
    label: str
    was: str
    now: str
    unit: str


@dataclass(frozen=True, slots=True)
class Shown:
    """An edit as it would be: what changes, from when, what it touches; and its mark."""

    name: str
    changed: tuple[Changed, ...]
    starts_on: date
    touched: tuple[tuple[str, str], ...]
    lists: tuple[ListChange, ...]
    trial: Trial
    mark: str
    is_new: bool = False

    @property
    def words(self) -> str:
        """PLT plug: list price 15.50 from Mon 30 Nov."""
        rows = self.changed[:1] if self.is_new else self.changed
        parts = ", ".join(f"{row.label.lower()} {row.now or 'empty'}" for row in rows)
        return f"{self.name}: {parts} from {self.starts_on:%a %-d %b %Y}"


class Subject:
    """One kind of row that has an edit page. Each table beside this file fills one in."""

    key: ClassVar[str] = ""
    title: ClassVar[str] = ""
    # What one of them is called, in Change.what and in sentences.
    one: ClassVar[str] = ""
    intro: ClassVar[str] = ""
    columns: ClassVar[tuple[str, ...]] = ()
    right: ClassVar[str] = ""
    # Whether a value may start on a later day; the other edits hold at once.
    has_start: ClassVar[bool] = False
    # Whether its table keeps values by the day they start; an edit of others waits for its day.
    keeps_days: ClassVar[bool] = False
    has_files: ClassVar[bool] = False
    # Who signs, where that is somebody else than who types.
    sign_right: ClassVar[str] = ""
    start_label: ClassVar[str] = "Holds from"
    can_add: ClassVar[bool] = False
    # Whether the lists of open weeks are drawn before and after, to name what changes on them.
    moves_lists: ClassVar[bool] = False

    def may_open(self, user: User) -> bool:
        return user.may(self.right)

    def must_open(self, user: User) -> None:
        """Raise NotAllowed unless this person may see the rows."""
        user.must(self.right)

    def fields(self, row: Any) -> Sequence[Field]:
        raise NotImplementedError

    def rows(self, *, on: date) -> Sequence[RowWords]:
        raise NotImplementedError

    def find(self, key: str) -> Any:
        """The row of a key. Raises Unknown."""
        raise NotImplementedError

    def name_of(self, row: Any) -> str:
        return str(row)

    def heading(self, row: Any) -> str:
        """What stands over the row's own page."""
        return self.name_of(row)

    def key_of(self, row: Any) -> str:
        """What the row's page is found by."""
        return self.name_of(row)

    def lists_move(self, row: Any) -> bool:
        return self.moves_lists

    def right_for(self, row: Any) -> str:
        return self.right

    def sign_right_for(self, row: Any) -> str:
        return self.sign_right or self.right_for(row)

    def values(self, row: Any, *, on: date) -> Values:
        """Each field's value as it stands on a day; of a new row, what it begins with."""
        raise NotImplementedError

    def faults(self, row: Any, values: Values) -> dict[str, str]:
        """What is wrong between fields that are right by themselves."""
        return {}

    def touched(self, row: Any, *, after: Values, starts_on: date, now: datetime) -> Touched:
        return []

    def plans_moved(self, row: Any, *, after: Values) -> Q | None:
        """Which pack plans an edit may move: those are planned anew in the trial. None: none."""
        return None

    def lines_judged(self, row: Any, *, after: Values) -> Q | None:
        """Which lines of orders the law would judge anew."""
        return None

    def lock(self, row: Any) -> None:
        """Hold the row until the transaction ends."""
        type(row)._base_manager.select_for_update().get(pk=row.pk)

    def write(self, row: Any, edit: "Edit") -> Any:
        """Write it, with a Change for each field that differs. Returns the row."""
        raise NotImplementedError

    def dated(self, row: Any) -> Sequence[tuple[date, str]]:
        """The row's values by the day they start, where they are kept so."""
        return ()


@dataclass(frozen=True, slots=True)
class Edit:
    """What is written: values before and after, from which day, why, by whom."""

    before: Values
    after: Values
    starts_on: date
    reason: str
    user: User
    now: datetime

    def differs(self, *names: str) -> bool:
        return any(self.before.get(name) != self.after.get(name) for name in names)

    def note(
        self, *, what: str, name: str, fields: Sequence[Field], day: date | None = None
    ) -> None:
        """A row of the record for each of these fields that differs."""
        for field in fields:
            if self.differs(field.name):
                note_change(
                    what=what,
                    name=name,
                    field=field.label[:40],
                    was=self.before.get(field.name),
                    now_is=_record(self.after.get(field.name)),
                    reason=self.reason,
                    user=self.user,
                    at=self.now,
                    starts_on=day,
                )


def _record(value: object) -> object:
    return value if isinstance(value, bool) else as_text(value)


@dataclass(frozen=True, slots=True)
class Asked:
    """An edit as it is asked for: the row of a subject, or none for a new one, and what was typed
    for it, when and by whom."""

    subject: Subject
    row: Any
    typed: Mapping[str, str]
    now: datetime
    user: User


def seen_mark(*, subject: Subject, row: Any, on: date) -> str:
    """What a form carries: a row that has another mark later was changed by somebody else."""
    if row is None:
        return NEW
    dated = [[starts_on.isoformat(), words] for starts_on, words in subject.dated(row)]
    return _hash([subject.key, _texts(subject.values(row, on=on)), dated])


def show(asked: Asked) -> Shown:
    """Try an edit and undo it; name all it would touch.

    Raises EditUnreadable, NothingToChange, EditedMeanwhile, NotAllowed, and what the hop refuses.
    """
    subject, row = asked.subject, asked.row
    asked.user.must(subject.right_for(row))
    edit = _read(asked)
    name = subject.name_of(row) if row is not None else f"new {subject.one}"
    changed = tuple(
        Changed(
            field.label,
            as_text(edit.before.get(field.name)),
            as_text(edit.after[field.name]),
            field.unit,
        )
        for field in subject.fields(row)
        if edit.differs(field.name)
    )
    if not changed:
        raise NothingToChange(what=name)
    touched = tuple(subject.touched(row, after=edit.after, starts_on=edit.starts_on, now=asked.now))
    lists, trial = _tried(subject, row, edit)
    facts = [subject.key, name, [[c.label, c.was, c.now] for c in changed]]
    rows = [[str(part) for part in (r.week, r.listing, r.now_status, r.now_units, *r.now_prices)]
            for r in lists]  # fmt: skip
    rows += [*names_of(trial.plans), [trial.sentence]]
    touched += trial.lines
    mark = _hash([*facts, edit.starts_on.isoformat(), touched, rows])
    return Shown(name, changed, edit.starts_on, touched, lists, trial, mark, is_new=row is None)


@transaction.atomic
def sign(asked: Asked, *, mark: str) -> tuple[Any, Shown]:
    """Write what was shown, and only that. Returns the row and what was written.

    Where it starts on a later day and its table keeps none, it is kept signed until that day.
    Raises FarmChangedSince where it would touch other things now, ReasonMissing, and what
    show() raises.
    """
    subject = asked.subject
    asked.user.must(subject.sign_right_for(asked.row))
    asked, shown = _shown_again(asked, mark)
    row = asked.row
    if shown.starts_on > timezone.localdate(asked.now) and not subject.keeps_days:
        edit_waiting.keep(asked, shown=shown, is_signed=True)
    else:
        row = subject.write(row, _read(asked))
    edit_waiting.end_signed(typed=asked.typed, now=asked.now, user=asked.user)
    return row, shown


@transaction.atomic
def propose(asked: Asked, *, mark: str) -> Shown:
    """Keep what was shown for whoever may sign it. Raises ReasonMissing, and as sign()."""
    asked, shown = _shown_again(asked, mark)
    waiting = edit_waiting.keep(asked, shown=shown, is_signed=False)
    edit_waiting.tell_signers(subject=asked.subject, waiting=waiting, now=asked.now)
    return shown


def _shown_again(asked: Asked, mark: str) -> tuple[Asked, Shown]:
    """The row under its lock and what the edit would do now. Raises FarmChangedSince."""
    if asked.row is not None:
        asked.subject.lock(asked.row)
        # A second statement: what stood there may have been written while this one waited.
        asked = replace(asked, row=asked.subject.find(asked.subject.key_of(asked.row)))
    shown = show(asked)
    if shown.mark != mark:
        raise what_if.FarmChangedSince(what="what it touches is not the same now")
    return asked, shown


def history(*, subject: Subject, row: Any) -> list[Change]:
    """Who changed a row, when and why, newest first."""
    name = subject.name_of(row)[:60]
    rows = Change.objects.filter(what=subject.one[:20], name=name)
    return list(rows.select_related("user").order_by("-at", "-id")[:60])


def _read(asked: Asked) -> Edit:
    subject, row, typed = asked.subject, asked.row, asked.typed
    on = timezone.localdate(asked.now)
    after, faults = parsed(subject, row, typed)
    starts_on = on
    if subject.has_start:
        try:
            starts_on = day(typed.get("starts_on", ""))
            if starts_on < on:
                faults["starts_on"] = f"{starts_on} has passed. Type today, {on}, or a later day."
        except Fault as fault:
            faults["starts_on"] = str(fault)
    if not faults:
        faults = subject.faults(row, after)
    if faults:
        raise EditUnreadable(first=next(iter(faults.values())), faults=faults)
    if row is not None and typed.get("seen") != seen_mark(subject=subject, row=row, on=on):
        raise _meanwhile(subject, row)
    # What a later day has is compared with what would stand on that day without this edit.
    before = subject.values(row, on=starts_on) if row is not None else {}
    return Edit(before, after, starts_on, typed.get("because", ""), asked.user, asked.now)


def parsed(subject: Subject, row: Any, typed: Mapping[str, str]) -> tuple[Values, dict[str, str]]:
    """Each field's value, and the sentence for each that cannot be read."""
    values: Values = {}
    faults: dict[str, str] = {}
    for field in subject.fields(row):
        try:
            values[field.name] = field.parse(typed.get(field.name, ""))
        except Fault as fault:
            faults[field.name] = str(fault)
    return values, faults


def _meanwhile(subject: Subject, row: Any) -> EditedMeanwhile:
    last = history(subject=subject, row=row)[:1]
    who = last[0].user.name if last else "somebody"
    fields = last[0].field if last else "it"
    return EditedMeanwhile(what=subject.name_of(row), who=who, fields=fields)


def _tried(subject: Subject, row: Any, edit: Edit) -> tuple[tuple[ListChange, ...], Trial]:
    """Written and undone: the hop's own refusals come now, the lists say what would change, and
    the boxes that it moves are planned anew."""
    at = max(edit.now, _morning(edit.starts_on))
    with what_if.undone():
        before = what_if.lists_at(now=at) if subject.lists_move(row) else {}
        stands = Before(
            plans=subject.plans_moved(row, after=edit.after),
            lines=subject.lines_judged(row, after=edit.after),
            starts_on=edit.starts_on,
        )
        # A question needs no reason; a signature does.
        trial = replace(edit, reason="only asked")
        # A row of its own: what is tried on it must not stay in memory when it is undone.
        subject.write(subject.find(subject.key_of(row)) if row is not None else None, trial)
        after = what_if.lists_at(now=at) if subject.lists_move(row) else {}
        tried = stands.after()
    return what_if.list_changes(before, after), tried


def _morning(on: date) -> datetime:
    """When a value that starts on a day is looked at: its first minute in the farm's zone."""
    return datetime.combine(on, time(), ZoneInfo(settings.FARM_TIME_ZONE)) + timedelta(minutes=1)


def _texts(values: Values) -> dict[str, str]:
    return {name: as_text(value) for name, value in values.items()}


def _hash(facts: Any) -> str:
    return hashlib.sha256(json.dumps(facts, sort_keys=True).encode()).hexdigest()

"""The edit pages: choose a row, type, read what it would touch, sign. Thin: editing.py judges."""

from collections.abc import Mapping
from itertools import groupby
from typing import Any

from django.contrib import messages
from django.contrib.auth.decorators import login_required
from django.http import HttpRequest, HttpResponse
from django.shortcuts import redirect, render
from django.utils import timezone

from config import editing
from config.edit_fields import Field, as_text
from config.edit_subjects import SUBJECTS, subject_of
from config.editing import Shown, Subject
from inventory.clock import farm_now, farm_today
from inventory.errors import FarmError, ReasonMissing
from inventory.models import Change
from orders.pages import staff_only

LATEST = 30
NOT_FIELDS = frozenset({"csrfmiddlewaretoken", "act", "mark", "reason", "seen", "starts_on"})


@login_required
def edit_index_page(request: HttpRequest) -> HttpResponse:
    """What may be edited, and what was changed last, by whom and why."""
    user = staff_only(request)
    user.must("open_edit_pages")
    mine = [subject for subject in SUBJECTS if subject.may_open(user)]
    changes = Change.objects.select_related("user").order_by("-at", "-id")[:LATEST]
    context = {"subjects": mine, "changes": changes, "today": farm_today()}
    return render(request, "edit_index.html", context)


@login_required
def edit_list_page(request: HttpRequest, subject_key: str) -> HttpResponse:
    """The rows of one subject, each with what stands there today."""
    user, subject = staff_only(request), subject_of(subject_key)
    subject.must_open(user)
    sought = request.GET.get("q", "").strip()
    rows = [
        row
        for row in subject.rows(on=farm_today())
        if sought.lower() in " ".join((row.name, row.group, *row.cells)).lower()
    ]
    context = {
        "subject": subject,
        "sought": sought,
        "groups": [(name, list(some)) for name, some in groupby(rows, key=lambda row: row.group)],
        "count": len(rows),
    }
    return render(request, "edit_list.html", context)


@login_required
def edit_row_page(request: HttpRequest, subject_key: str, key: str) -> HttpResponse:
    """One row: its form, then what the edit would touch, then the signature; its history below."""
    user, subject = staff_only(request), subject_of(subject_key)
    row = None if subject.can_add and key == editing.NEW else subject.find(key)
    user.must(subject.right_for(row))
    now = farm_now()
    if request.method != "POST":
        return _form(request, subject, row, _standing(subject, row), status=200)
    typed = {name: request.POST.get(name, "") for name in request.POST}
    act = typed.get("act")
    if act == "back":
        return _form(request, subject, row, typed, status=200)
    try:
        if act == "sign":
            kept, shown = editing.sign(
                subject=subject,
                row=row,
                typed=typed,
                mark=typed.get("mark", ""),
                now=now,
                user=user,
            )
            messages.success(request, f"Signed: {shown.words}.")
            return redirect("edit-row", subject.key, subject.key_of(kept))
        shown = editing.show(subject=subject, row=row, typed=typed, now=now, user=user)
    except ReasonMissing as error:
        shown = editing.show(subject=subject, row=row, typed=typed, now=now, user=user)
        return _touches(request, subject, row, typed, shown, error)
    except editing.what_if.FarmChangedSince as error:
        shown = editing.show(subject=subject, row=row, typed=typed, now=now, user=user)
        return _touches(request, subject, row, typed, shown, error)
    except FarmError as error:
        return _form(request, subject, row, typed, status=error.status, error=error)
    return _touches(request, subject, row, typed, shown)


def _standing(subject: Subject, row: Any) -> dict[str, str]:
    """The form as it opens: what stands there today."""
    values = subject.values(row, on=farm_today())
    typed = {name: as_text(value) for name, value in values.items()}
    return {**typed, "starts_on": farm_today().isoformat()}


def _form(
    request: HttpRequest,
    subject: Subject,
    row: Any,
    typed: Mapping[str, str],
    *,
    status: int,
    error: FarmError | None = None,
) -> HttpResponse:
    faults = error.facts.get("faults", {}) if error else {}
    standing = _standing(subject, row)
    is_meanwhile = isinstance(error, editing.EditedMeanwhile)
    context = {
        "subject": subject,
        "row": row,
        "name": subject.name_of(row) if row is not None else f"A new {subject.one}",
        "boxes": [
            _box(field, typed, faults, standing if is_meanwhile else {})
            for field in subject.fields(row)
        ],
        "starts_on": typed.get("starts_on", ""),
        "starts_fault": faults.get("starts_on", ""),
        "seen": editing.seen_mark(subject=subject, row=row, on=farm_today()),
        "reason": typed.get("reason", ""),
        "error": error,
        "history": editing.history(subject=subject, row=row) if row is not None else [],
        "dated": subject.dated(row) if row is not None else [],
        "today": timezone.localdate(farm_now()),
    }
    return render(request, "edit_form.html", context, status=status)


def _box(
    field: Field, typed: Mapping[str, str], faults: Mapping[str, str], standing: Mapping[str, str]
) -> dict[str, Any]:
    """One field as its template draws it."""
    text = typed.get(field.name, "")
    stands = standing.get(field.name)
    return {
        "field": field,
        "text": text,
        "fault": faults.get(field.name, ""),
        "choices": [(key, said, key == text) for key, said in field.choices()],
        "stands": stands if stands is not None and stands != text else None,
        "is_ticked": text in ("yes", "on"),
    }


def _touches(
    request: HttpRequest,
    subject: Subject,
    row: Any,
    typed: Mapping[str, str],
    shown: Shown,
    error: FarmError | None = None,
) -> HttpResponse:
    context = {
        "subject": subject,
        "shown": shown,
        "typed": {name: text for name, text in typed.items() if name not in NOT_FIELDS},
        "seen": typed.get("seen", ""),
        "starts_on": typed.get("starts_on", ""),
        "reason": typed.get("reason", ""),
        "error": error,
        "is_later": shown.starts_on > farm_today(),
    }
    return render(request, "edit_touches.html", context, status=error.status if error else 200)

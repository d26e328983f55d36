"""The edit pages: choose a row, type, read what it would touch, sign. Thin: editing.py judges."""

from collections.abc import Mapping
from itertools import groupby
from typing import Any

from django.contrib import messages
from django.contrib.auth.decorators import login_required
from django.core.files.uploadedfile import UploadedFile
from django.http import HttpRequest, HttpResponse
from django.shortcuts import redirect, render
from django.views.decorators.http import require_POST

from config import edit_waiting, editing
from config.edit_fields import Field, as_text
from config.edit_strains import PHOTO_FOLDER
from config.edit_subjects import SUBJECTS, subject_of
from config.editing import Shown, Subject
from config.what_if import FarmChangedSince
from inventory.clock import farm_now, farm_today
from inventory.door import signed_in, staff_only
from inventory.errors import FarmError, ReasonMissing, Unknown
from inventory.models import Change, WaitingEdit
from inventory.photos import store_upload

LATEST = 30
NOT_FIELDS = frozenset(
    {"csrfmiddlewaretoken", "act", "mark", "because", "seen", "starts_on", "waiting"}
)


@login_required
def edit_index_page(request: HttpRequest) -> HttpResponse:
    """What may be edited, and what was changed last, by whom and why."""
    user = staff_only(request)
    user.must("open_edit_pages")
    mine = [subject for subject in SUBJECTS if subject.may_open(user)]
    changes = Change.objects.select_related("user").order_by("-at", "-id")[:LATEST]
    context = {
        "subjects": mine,
        "changes": changes,
        "today": farm_today(),
        "waiting": edit_waiting.open_edits(subjects=[subject.key for subject in mine]),
        "failed": WaitingEdit.objects.filter(outcome__startswith="not written")[:10],
    }
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
        "groups": [
            (name, [(row, list(zip(subject.columns, row.cells, strict=True))) for row in some])
            for name, some in groupby(rows, key=lambda row: row.group)
        ],
        "count": len(rows),
    }
    return render(request, "edit_list.html", context)


@login_required
def edit_row_page(request: HttpRequest, subject_key: str, key: str) -> HttpResponse:
    """One row: its form, then what the edit would touch, then the signature; its history below."""
    user, subject = staff_only(request), subject_of(subject_key)
    row = None if subject.can_add and key == editing.NEW else subject.find(key)
    user.must(subject.right_for(row))
    if request.method != "POST":
        return _form(request, subject, row, _opening(request, subject, row, key), status=200)
    typed = {name: request.POST.get(name, "") for name in request.POST}
    if typed.get("act") == "back":
        return _form(request, subject, row, typed, status=200)
    try:
        if subject.has_files and request.FILES:
            typed |= _stored(request)
        asked = editing.Asked(subject=subject, row=row, typed=typed, now=farm_now(), user=user)
        if typed.get("act") in ("sign", "propose"):
            return _signed(request, asked)
        shown = editing.show(asked)
    except (ReasonMissing, FarmChangedSince) as error:
        return _touches(request, subject, row, typed, editing.show(asked), error)
    except FarmError as error:
        return _form(request, subject, row, typed, status=error.status, error=error)
    return _touches(request, subject, row, typed, shown)


def _signed(request: HttpRequest, asked: editing.Asked) -> HttpResponse:
    """Sign what was shown, or keep it for whoever signs."""
    subject, mark = asked.subject, asked.typed.get("mark", "")
    if asked.typed["act"] == "propose":
        shown = editing.propose(asked, mark=mark)
        messages.success(request, f"Kept for a signature: {shown.words}.")
        return redirect("edit-list", subject.key)
    kept, shown = editing.sign(asked, mark=mark)
    messages.success(request, f"Signed: {shown.words}.")
    if kept is None or kept.pk is None:
        return redirect("edit-list", subject.key)
    return redirect("edit-row", subject.key, subject.key_of(kept))


def _stored(request: HttpRequest) -> dict[str, str]:
    """An uploaded photo is kept at once and named by its path from then on."""
    upload = request.FILES.get("photo")
    if not isinstance(upload, UploadedFile):
        return {}
    return {"photo": store_upload(upload=upload, folder=PHOTO_FOLDER)}


@login_required
@require_POST
def edit_drop_page(request: HttpRequest, waiting_id: int) -> HttpResponse:
    """Take an edit back that waits for a signature or for its day."""
    user = staff_only(request)
    waiting = WaitingEdit.objects.filter(pk=waiting_id).first()
    if waiting is None:
        raise Unknown(kind="waiting edit", name=str(waiting_id))
    subject = subject_of(waiting.subject)
    row = None if waiting.key == editing.NEW else subject.find(waiting.key)
    user.must(subject.right_for(row))
    edit_waiting.drop(waiting=waiting, subject=subject, row=row, user=user, now=farm_now())
    messages.success(request, f"Taken back: {waiting.words}.")
    return redirect("edit")


def _opening(request: HttpRequest, subject: Subject, row: Any, key: str) -> dict[str, str]:
    """The form as it opens: what stands there today, or what a waiting edit would make of it."""
    typed = _standing(subject, row)
    asked = request.GET.get("waiting", "")
    for waiting in edit_waiting.open_edits(subjects=[subject.key], key=key):
        if str(waiting.pk) == asked:
            starts_on = max(waiting.starts_on, farm_today()).isoformat()
            typed |= {**waiting.typed, "starts_on": starts_on, "because": waiting.reason}
            typed["waiting"] = asked
    return typed


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
        "name": subject.heading(row) if row is not None else f"A new {subject.one}",
        "boxes": [
            _box(field, typed, faults, standing if is_meanwhile else {})
            for field in subject.fields(row)
        ],
        "starts_on": typed.get("starts_on", ""),
        "starts_fault": faults.get("starts_on", ""),
        "seen": editing.seen_mark(subject=subject, row=row, on=farm_today()),
        "reason": typed.get("because", ""),
        "waiting_id": typed.get("waiting", ""),
        "waiting": edit_waiting.open_edits(
            subjects=[subject.key], key=subject.key_of(row) if row is not None else editing.NEW
        ),
        "error": error,
        "history": editing.history(subject=subject, row=row) if row is not None else [],
        "dated": subject.dated(row) if row is not None else [],
        "today": farm_today(),
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
        "name": subject.heading(row) if row is not None else f"A new {subject.one}",
        "typed": {name: text for name, text in typed.items() if name not in NOT_FIELDS},
        "seen": typed.get("seen", ""),
        "starts_on": typed.get("starts_on", ""),
        "reason": typed.get("because", ""),
        "error": error,
        "is_later": shown.starts_on > farm_today(),
        "waiting_id": typed.get("waiting", ""),
        "may_sign": signed_in(request).may(subject.sign_right_for(row)),
    }
    return render(request, "edit_touches.html", context, status=error.status if error else 200)

"""Pages of dips, inspections, quarantine and water. Thin callers of the hops."""

import tempfile
from datetime import datetime
from pathlib import Path
from typing import Any
from zoneinfo import ZoneInfo

from django.conf import settings
from django.contrib import messages
from django.contrib.auth.decorators import login_required
from django.core.files.uploadedfile import UploadedFile
from django.http import HttpRequest, HttpResponse
from django.shortcuts import redirect, render
from django.utils import timezone

from inventory import caring, water
from inventory.clock import farm_now, farm_today
from inventory.csv_reading import Reading
from inventory.door import staff_only
from inventory.errors import Unknown
from inventory.models import MEASURES, Balance, Lot, StrainClass, User, WaterSystem, WaterTest
from inventory.setting_book import SettingBook

TESTS_SHOWN = 12
MOST_FILE_BYTES = 1_000_000


def _moment(text: str, now: datetime) -> datetime:
    """A time typed at the farm; blank is now."""
    if not text.strip():
        return now
    try:
        at = datetime.fromisoformat(text.strip())
    except ValueError:
        words = f"{text.strip()[:30]!r} is not a time such as 2026-11-25 08:10"
        raise water.WaterUnreadable(first=words) from None
    return at if at.tzinfo else at.replace(tzinfo=ZoneInfo(settings.FARM_TIME_ZONE))


@login_required
def care_page(request: HttpRequest) -> HttpResponse:
    """What is due, what was done, what stands in quarantine; forms for each."""
    user = staff_only(request)
    if request.method == "POST":
        _act(request, user)
        return redirect("care")
    on = farm_today()
    due = [row for kind in caring.KINDS for row in caring.care_due(kind=kind, on=on) if row.due_on]
    context = {
        "due": [_due_row(row, on) for row in due],
        "overdue_count": sum(row.is_overdue(on) for row in due if row.kind == "dip"),
        "schedules": [
            row
            for kind in caring.KINDS
            for row in caring.schedules(kind=kind, on=on).values()
            if row.every_days
        ],
        "quarantined": caring.quarantined(),
        "kinds": caring.KINDS,
        "classes": StrainClass.objects.all(),
        "may_schedule": user.may("set_care_schedule"),
        "may_note": user.may("note_care"),
        "may_release": user.may("release_lot"),
    }
    return render(request, "inventory/care.html", context)


def _due_row(due: caring.Due, on: Any) -> dict[str, Any]:
    strain = due.lot.strain_form.strain
    return {
        "kind": due.kind,
        "trays": ", ".join(due.trays),
        "name": strain.name,
        "lot": due.lot.code,
        "pieces": due.pieces,
        "last": f"{due.last_on:%-d %b}" if due.last_on else "never",
        "due": f"{due.due_on:%a %-d %b}" if due.due_on else "",
        "is_overdue": due.is_overdue(on),
        "stops": due.kind == "dip" and due.is_overdue(on),
    }


def _act(request: HttpRequest, user: User) -> None:
    act, now = request.POST.get("act", ""), farm_now()
    if act == "note":
        lots = _lots_at(request.POST.get("place", "").strip().upper())
        records = caring.note_care(
            lots=lots,
            kind=request.POST.get("kind", ""),
            done_at=_moment(request.POST.get("done_at", ""), now),
            user=user,
            now=now,
            what=request.POST.get("what", "").strip(),
            is_clean=request.POST.get("found") != "on",
        )
        messages.success(request, f"Noted for {len(records)} lots.")
    elif act == "schedule":
        days = request.POST.get("every_days", "").strip()
        if not (days.isascii() and days.isdigit()):
            raise caring.ScheduleUnreadable(days=repr(days[:12]), most=caring.MOST_DAYS)
        scope = request.POST.get("scope", "").strip().upper()
        is_class = StrainClass.objects.filter(pk=scope).exists()
        caring.set_schedule(
            kind=request.POST.get("kind", ""),
            scope_kind=("class" if is_class else "strain") if scope else "farm",
            scope=scope,
            every_days=int(days),
            reason=request.POST.get("reason", "").strip(),
            user=user,
            at=now,
        )
        messages.success(request, "The schedule stands from today.")
    elif act == "release":
        release = caring.release_lot(
            lot_code=request.POST.get("lot", ""),
            reason=request.POST.get("reason", "").strip(),
            user=user,
            at=now,
        )
        messages.success(request, f"{release.lot.code} is released; move it to its new tray.")
    else:
        raise Unknown(kind="act", name=act or "(none)")


def _lots_at(place: str) -> list[Lot]:
    """The lots of a tray, a trough, a system or a lot's own code."""
    standing = Balance.objects.filter(pieces__gt=0).select_related("lot")
    for path in ("tray__code", "tray__trough__code", "tray__trough__system__code", "lot__code"):
        found = {row.lot_id: row.lot for row in standing.filter(**{path: place})}
        if found:
            return list(found.values())
    raise Unknown(kind="tray, trough, system or lot with pieces", name=place or "(none)")


@login_required
def water_page(request: HttpRequest) -> HttpResponse:
    """The newest water of each system beside the farm's ranges, and what they propose."""
    user = staff_only(request)
    problems: list[str] = []
    if request.method == "POST":
        if request.FILES:
            problems = _read_file(request, user)
        elif request.POST.get("act") == "medicine":
            _note_medicine(request, user)
        else:
            _note_test(request, user)
        if not problems:
            return redirect("water")
    book = SettingBook.read(on=farm_today())
    rows = _water_rows(book)
    context = {
        "rows": rows,
        "is_tested": any(cell["value"] for row in rows for cell in row["cells"]),
        "systems": list(WaterSystem.objects.order_by("code")),
        "measures": [
            {"key": key, "name": name, "unit": unit, "range": row["range"]}
            for (key, name, unit), row in zip(MEASURES, rows, strict=True)
        ],
        "proposals": water.proposals(book=book),
        "history": _history(),
        "problems": problems,
        "may_test": user.may("test_water"),
        "may_note_medicine": user.may("note_care"),
    }
    return render(request, "inventory/water.html", context, status=422 if problems else 200)


def _note_test(request: HttpRequest, user: User) -> None:
    values: dict[str, float] = {}
    for key, name, _ in MEASURES:
        text = request.POST.get(key, "").strip()
        if not text:
            continue
        try:
            values[key] = float(text)
        except ValueError:
            raise water.WaterUnreadable(
                first=f"{name}: {text[:20]!r} is not a number; type it as 8.2"
            ) from None
    now = farm_now()
    test = water.note_test(
        system_code=request.POST.get("system", ""),
        taken_at=_moment(request.POST.get("taken_at", ""), now),
        values=values,
        user=user,
        now=now,
    )
    messages.success(request, f"Noted for system {test.system.code}.")


def _note_medicine(request: HttpRequest, user: User) -> None:
    hold = water.note_medicine(
        system_code=request.POST.get("system", ""),
        what=request.POST.get("what", "").strip(),
        user=user,
        at=farm_now(),
    )
    messages.success(request, f"{hold.code} is raised on {hold.scope}: all of it is held now.")


def _read_file(request: HttpRequest, user: User) -> list[str]:
    """Read an uploaded CSV; what was right is kept, what was not is named by row."""
    upload = request.FILES["file"]
    assert isinstance(upload, UploadedFile)
    if upload.size is None or upload.size > MOST_FILE_BYTES:
        raise water.WaterUnreadable(first="the file is larger than 1 MB; send it in parts")
    with tempfile.TemporaryDirectory() as folder:
        Path(folder, "water.csv").write_bytes(upload.read())
        reading = Reading(
            folder=Path(folder), zone=ZoneInfo(settings.FARM_TIME_ZONE), now=farm_now()
        )
        noted = water.read_tests(reading=reading, file="water.csv", user=user)
    messages.success(request, f"{noted} tests are noted.")
    return [str(problem) for problem in reading.problems]


def _water_rows(book: SettingBook) -> list[dict[str, Any]]:
    """One row a measure, one cell a system: its newest value, and whether it lies in range."""
    newest: dict[tuple[str, str], WaterTest] = {}
    for test in WaterTest.objects.select_related("system"):
        for key, _, _ in MEASURES:
            if getattr(test, key) is not None:
                newest[test.system.code, key] = test
    systems = list(WaterSystem.objects.order_by("code").values_list("code", flat=True))
    rows = []
    for key, name, unit in MEASURES:
        low, high = book.number(f"water_{key}_low"), book.number(f"water_{key}_high")
        cells = []
        for code in systems:
            found = newest.get((code, key))
            value = getattr(found, key) if found else None
            cells.append(
                {
                    "system": code,
                    "value": f"{value:g}" if value is not None else "",
                    "is_out": value is not None and not low <= value <= high,
                    "on": f"{timezone.localtime(found.taken_at):%-d %b}" if found else "",
                }
            )
        rows.append({"name": name, "unit": unit, "range": f"{low:g} to {high:g}", "cells": cells})
    return rows


def _history() -> list[dict[str, Any]]:
    groups = []
    for system in WaterSystem.objects.order_by("code"):
        tests = WaterTest.objects.filter(system=system).order_by("-taken_at")[:TESTS_SHOWN]
        rows = [
            {
                "when": f"{timezone.localtime(test.taken_at):%a %-d %b %H:%M}",
                "values": [
                    "" if getattr(test, key) is None else f"{getattr(test, key):g}"
                    for key, _, _ in MEASURES
                ],
            }
            for test in tests
        ]
        if rows:
            groups.append({"name": str(system), "rows": rows})
    return groups

"""Pages of the sheet round trip: the list to fill in, reading it back, and what became of it."""

from collections.abc import Callable
from typing import Any

from django.conf import settings
from django.contrib import messages
from django.contrib.auth.decorators import login_required
from django.core.files.uploadhandler import FileUploadHandler, SkipFile
from django.http import HttpRequest, HttpResponse
from django.shortcuts import get_object_or_404, redirect, render
from django.urls import reverse
from django.views.decorators.csrf import csrf_exempt, csrf_protect
from django.views.decorators.http import require_GET

from inventory.clock import farm_now, farm_today
from inventory.door import signed_in
from inventory.errors import FarmError, Unknown
from inventory.models import User
from inventory.setting_book import SettingBook
from orders.calc.weeks import time_text, zoned_text
from orders.listing import newest_version
from orders.models import SheetRead, ShipTo, ShipWeek
from orders.pages import customer_of
from orders.sheet_files import Limits, SheetTooLarge, read_tables
from orders.sheet_out import (
    CSV_KIND,
    XLSX_KIND,
    list_csv,
    list_xlsx,
    refused_csv,
    stamp_in,
)
from orders.sheets import put_back, take_sheet
from orders.weeks import week_line, week_named


class SheetMissing(FarmError):
    code = "sheet_missing"
    status = 422
    title = "No file was chosen"
    message = "No file came with the form. Nothing was read. Choose the filled sheet and send it."


class SheetNamesNoShop(FarmError):
    code = "sheet_names_no_shop"
    status = 422
    title = "Whose sheet is it?"
    message = (
        "{name} has no stamp that names a shop of the farm. Nothing was read. Choose above whose "
        "draft it goes into and send it again."
    )


class OnlySoMuch(FileUploadHandler):
    """Stops keeping an upload once it is too large, and reads the rest of it away.

    The whole request must be taken in all the same: a browser whose upload is cut off shows its
    own words instead of ours.
    """

    def __init__(self, request: HttpRequest, most: int) -> None:
        super().__init__(request)
        self.left, self.is_too_large, self.name = most, False, ""

    def receive_data_chunk(self, raw_data: bytes, start: int) -> bytes:
        self.left -= len(raw_data)
        if self.left < 0:
            self.is_too_large, self.name = True, str(self.file_name)
            raise SkipFile
        return raw_data

    def file_complete(self, file_size: int) -> None:
        return None


def _ship_to_for(request: HttpRequest, user: User) -> ShipTo:
    """The ship-to named in the address or form, if this person may order for it.

    Raises Unknown where it is not theirs, as where there is none of that name.
    """
    customer = customer_of(user)
    found = ShipTo.objects.select_related("customer")
    if not user.may("order_for_customer"):
        found = found.filter(customer=customer) if customer else found.none()
    code = request.POST.get("ship_to") or request.GET.get("ship_to", "")
    mine = found.filter(code=code) if code else found.filter(customer=customer)
    ship_to = mine.order_by("code").first()
    if ship_to is None:
        raise Unknown(kind="ship-to", name=code or "(none)")
    return ship_to


def _ship_to_named(request: HttpRequest, user: User) -> ShipTo | None:
    """As above; None where the office has named nobody yet: the sheet's own stamp may."""
    named = request.POST.get("ship_to") or request.GET.get("ship_to")
    return _ship_to_for(request, user) if named or not user.may("order_for_customer") else None


def _ship_to_on(content: bytes, name: str, limits: Limits) -> ShipTo:
    """Whose sheet it is by the stamp in it. Raises SheetNamesNoShop, and as read_tables does."""
    tables = read_tables(content=content, name=name, limits=limits)
    cells = (cell for table in tables for row in table.rows for cell in row.cells if cell)
    stamp = next((found for cell in cells if (found := stamp_in(cell))), None)
    code = stamp.ship_to if stamp is not None else ""
    ship_to = ShipTo.objects.select_related("customer").filter(code=code).first()
    if ship_to is None:
        raise SheetNamesNoShop(name=name)
    return ship_to


def _ship_tos_beside(ship_to: ShipTo | None, user: User) -> list[ShipTo]:
    """Where else a sheet could be read in: the shop's own ship-tos, for the office all."""
    found = ShipTo.objects.select_related("customer").order_by("code")
    if ship_to is not None and not user.may("order_for_customer"):
        found = found.filter(customer=ship_to.customer)
    return list(found)


@login_required
@require_GET
def csv_file(request: HttpRequest, week_name: str) -> HttpResponse:
    """The newest list of a ship-to as CSV to fill in."""
    return _file(request, week_name, list_csv, CSV_KIND, "csv")


@login_required
@require_GET
def xlsx_file(request: HttpRequest, week_name: str) -> HttpResponse:
    """The newest list of a ship-to as a spreadsheet to fill in."""
    return _file(request, week_name, list_xlsx, XLSX_KIND, "xlsx")


def _file(
    request: HttpRequest, week_name: str, make: Callable[..., bytes], kind: str, ending: str
) -> HttpResponse:
    ship_to = _ship_to_for(request, signed_in(request))
    week = week_named(name=week_name)
    version = newest_version(week=week)
    if version is None:
        raise Unknown(kind="list for", name=week_name)
    content = make(version=version, ship_to=ship_to, now=farm_now())
    return _download(content, kind, f"list-{week.name}-{ship_to.code}.{ending}")


def _download(content: bytes, kind: str, name: str) -> HttpResponse:
    answer = HttpResponse(content, content_type=kind)
    answer["Content-Disposition"] = f'attachment; filename="{name}"'
    answer["Cache-Control"] = "no-store"
    answer["X-Content-Type-Options"] = "nosniff"
    return answer


# The upload's own handler must be in place before anything reads the form, its token included.
@csrf_exempt
@login_required
def upload_page(request: HttpRequest, week_name: str) -> HttpResponse:
    """Where a filled sheet is read in. A file above the limit is never kept anywhere."""
    limits = Limits.of(SettingBook.read(on=farm_today()))
    watch = OnlySoMuch(request, limits.file_bytes)
    request.upload_handlers.insert(0, watch)
    return _upload_page(request, week_name, limits, watch)


@csrf_protect
def _upload_page(
    request: HttpRequest, week_name: str, limits: Limits, watch: OnlySoMuch
) -> HttpResponse:
    user, week = signed_in(request), week_named(name=week_name)
    ship_to = _ship_to_named(request, user)
    error: FarmError | None = None
    if request.method == "POST":
        try:
            read = _take(request, user, week, ship_to, limits, watch)
            return redirect("sheet-read", week.name, read.pk)
        except FarmError as refused:
            error = refused
    context = {
        **_context(week, ship_to),
        "ship_tos": _ship_tos_beside(ship_to, user),
        "problem": error,
        "limits": _limit_words(limits),
    }
    status = error.status if error else 200
    return render(request, "orders/sheet_upload.html", context, status=status)


def _limit_words(limits: Limits) -> str:
    return f"{limits.file_bytes // (1024 * 1024)} MB and {limits.rows} rows"


def _take(
    request: HttpRequest,
    user: User,
    week: ShipWeek,
    ship_to: ShipTo | None,
    limits: Limits,
    watch: OnlySoMuch,
) -> SheetRead:
    sent = request.FILES.get("sheet")
    if watch.is_too_large:
        raise SheetTooLarge(
            name=watch.name or "The file", most=limits.file_bytes // (1024 * 1024), how=""
        )
    if sent is None:
        raise SheetMissing()
    content, name = sent.read(), sent.name or "The file"
    return take_sheet(
        content=content,
        name=name,
        ship_to=ship_to or _ship_to_on(content, name, limits),
        week=week,
        user=user,
        now=farm_now(),
    )


def _context(week: ShipWeek, ship_to: ShipTo | None) -> dict[str, Any]:
    zone = ship_to.time_zone if ship_to is not None else settings.FARM_TIME_ZONE
    asked = f"?ship_to={ship_to.code}" if ship_to is not None else ""
    return {
        "week": week,
        "week_number": week.name[-2:],
        "ship_to": ship_to,
        "cut_off_words": zoned_text(at=week.cut_off_at, zone=zone),
        "is_open": week.closed_at is None,
        "week_line": week_line(week=week, now=farm_now(), zone=zone),
        "list_url": f"{reverse('list', args=[week.name])}{asked}",
        "last_read": SheetRead.objects.filter(week=week, ship_to=ship_to).last(),
    }


def _read_for(request: HttpRequest, week_name: str, read_id: int) -> SheetRead:
    """A read sheet that this person may see; another shop's does not exist."""
    user = signed_in(request)
    reads = SheetRead.objects.select_related("week", "ship_to__customer", "user")
    if not user.may("order_for_customer"):
        reads = reads.filter(ship_to__customer=customer_of(user))
    return get_object_or_404(reads, pk=read_id, week__name=week_name)


@login_required
def read_page(request: HttpRequest, week_name: str, read_id: int) -> HttpResponse:
    """What became of each row of a sheet. Nothing is ordered until the list page sends it."""
    read = _read_for(request, week_name, read_id)
    if request.method == "POST":
        count = put_back(read=read, user=signed_in(request), now=farm_now())
        messages.success(request, f"{count} rows of the draft are as they were before this sheet.")
        return redirect("sheet-read", week_name, read.pk)
    zone = read.ship_to.time_zone
    context = {
        **_context(read.week, read.ship_to),
        "read": read,
        "read_words": time_text(at=read.at, zone=zone),
        "kept": [_shown(row) for row in read.kept],
        "refused": [_shown(row) for row in read.refused],
        "summary": _summary(read),
        "may_put_back": _may_put_back(read),
    }
    return render(request, "orders/sheet_read.html", context)


def _shown(row: dict[str, Any]) -> dict[str, Any]:
    """A line of a read sheet as it is printed. What was typed keeps its own letters."""
    words = row["words"]
    if not words.startswith(row["typed"]):
        words = words[:1].upper() + words[1:]
    numbers = " and ".join(str(number) for number in row["rows"])
    return {**row, "numbers": numbers, "words": words}


def _summary(read: SheetRead) -> str:
    """How many rows became what, such as "2 accepted, 1 changed, 10 to mend"."""
    names = (
        ("accepted", "accepted"), ("changed", "changed"), ("taken out", "taken out"),
        ("same", "as before"), ("refused", "to mend"),
    )  # fmt: skip
    counts = [(sum(row["outcome"] == key for row in read.lines), words) for key, words in names]
    return ", ".join(f"{count} {words}" for count, words in counts if count) or "Nothing to order"


def _may_put_back(read: SheetRead) -> bool:
    is_new = any(row["outcome"] != "same" for row in read.kept)
    return is_new and read.basket_id is not None and read.put_back_at is None


@login_required
@require_GET
def refused_file(request: HttpRequest, week_name: str, read_id: int) -> HttpResponse:
    """The refused rows as CSV, as typed and with what to mend; it can be read in again."""
    read = _read_for(request, week_name, read_id)
    name = f"to-mend-{read.week.name}-{read.ship_to.code}.csv"
    return _download(refused_csv(read=read), CSV_KIND, name)

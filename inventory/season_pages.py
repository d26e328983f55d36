"""Pages of what grows: lots by ready date, propagules and clams. Thin callers of the hops."""

from datetime import date, timedelta
from typing import Any

from django.contrib import messages
from django.contrib.auth.decorators import login_required
from django.http import HttpRequest, HttpResponse
from django.shortcuts import redirect, render

from inventory import propagules, ready_dates
from inventory.calc.season import off_season_words
from inventory.calc.shells import shell_cm_after, wild_shell_cm
from inventory.charts import size_chart
from inventory.clock import farm_now, farm_today
from inventory.door import staff_only
from inventory.errors import Unknown
from inventory.form_reading import day_of, whole_of
from inventory.last_looks import last_looks
from inventory.models import Balance, Cohort, FirstDrop, Strain, User, WalkNote
from inventory.setting_book import SettingBook, SettingMissing
from inventory.walk_words import organ_of

# Tridacna gigas in the wild: Pearson and Munro, Aust. J. Mar. Freshw. Res. 42, 1991, page 241.
WILD_LARGEST_CM, WILD_K_PER_YEAR, WILD_OF = 80.0, 0.105, "QYG"
MONTHS_AHEAD = 12


@login_required
def growing_page(request: HttpRequest) -> HttpResponse:
    """Lots in the order in which they get ready, propagules by cohort, clams by size."""
    user = staff_only(request)
    if request.method == "POST":
        _act(request, user)
        return redirect("growing")
    on = farm_today()
    book = SettingBook.read(on=on)
    clams = propagules.clam_trays(on=on, book=book)
    rule = ready_dates.light_rule(book=book)
    change = ready_dates.next_light_change(on=on, rule=rule) if rule else 0.0
    context = {
        "lots": _lot_rows(on, book),
        "learned": ready_dates.learned_reference_days(book=book),
        "light_words": _light_words(on, change),
        "cohorts": [_cohort_row(row, book) for row in Cohort.objects.select_related("strain")],
        "drops": FirstDrop.objects.select_related("strain").order_by("-dropped_on")[:6],
        "trees": Strain.objects.filter(strain_class_id="MANG"),
        "clams": clams,
        "chart": _clam_chart(clams, on, book) if clams else "",
        "clam_sentence": _clam_sentence(clams),
        "may_keep": user.may("keep_cohorts"),
        "may_sign": user.may("set_care_schedule"),
    }
    return render(request, "inventory/growing.html", context)


def _light_words(on: date, change: float) -> str:
    this = on.replace(day=21)
    following = (this + timedelta(days=15)).replace(day=21)
    word = "gains" if change >= 0 else "loses"
    return f"An open place {word} {abs(change):.0%} of its light by {following:%-d %b}."


def _lot_rows(on: date, book: SettingBook) -> list[dict[str, Any]]:
    rows = ready_dates.forecast_lots(on=on, book=book)
    looks, late = last_looks(on=on), date.max
    return [
        {
            "tray": row.tray,
            "name": row.lot.strain_form.strain.name,
            "form": row.lot.strain_form.form.name,
            "pieces": row.pieces,
            "cut": f"{row.lot.cut_on:%-d %b %Y}",
            "p50": f"{row.p50_on:%-d %b %Y}" if row.p50_on else "beyond the year",
            "p80": f"{row.p80_on:%-d %b %Y}" if row.p80_on else "beyond the year",
            "light": f"{row.light_index:.2f}",
            "look": looks.of_tray(row.tray, row.lot.strain_form.strain_id).words(
                organ_of(row.lot.strain_form.strain.strain_class_id)
            ),
        }
        for row in sorted(rows, key=lambda row: (row.p50_on or late, row.tray))
    ]


def _cohort_row(cohort: Cohort, book: SettingBook) -> dict[str, Any]:
    standing = Balance.objects.filter(lot__cohort=cohort, pieces__gt=0).select_related(
        "tray", "lot__strain_form__form"
    )
    sample = (
        WalkNote.objects.filter(cohort=cohort, sampled_pieces__isnull=False)
        .order_by("-looked_at")
        .first()
    )
    return {
        "code": cohort.code,
        "name": cohort.strain.name,
        "collected": f"{cohort.collected_pieces} on {cohort.collected_on:%-d %b %Y}",
        "state": cohort.get_state_display(),
        "now": ", ".join(
            f"{row.pieces} {row.lot.strain_form.form.name} in {row.tray.code}" for row in standing
        )
        or "nothing",
        "sample": f"{sample.rooted_pieces} of {sample.sampled_pieces} rooted" if sample else "",
        "expected": _expected(cohort, book),
        "may_sprout": cohort.state in ("rooted", "sprouting"),
    }


def _expected(cohort: Cohort, book: SettingBook) -> str:
    """What a cohort does next and when: it roots, or its first leaves show."""
    if cohort.rooted_on is None:
        if not (cohort.p50_on and cohort.p80_on):
            return ""
        return f"roots about {cohort.p50_on:%-d %b}, by {cohort.p80_on:%-d %b}"
    if cohort.state != Cohort.State.ROOTED:
        return ""
    try:
        least_days = book.whole("sprout_least_days", strain=cohort.strain.key)
    except SettingMissing:
        # Kept strain by strain: where nobody knows it, nothing is said.
        return ""
    return f"first leaves from {cohort.rooted_on + timedelta(days=least_days):%-d %b}"


def _clam_sentence(clams: list[propagules.ClamTray]) -> str:
    warned = [row for row in clams if row.warning]
    if not warned:
        return "No clam outgrows its size grade soon."
    return "; ".join(f"{row.tray} {row.name}: {row.warning}" for row in warned) + "."


def _clam_chart(clams: list[propagules.ClamTray], on: date, book: SettingBook) -> Any:
    """Largest shell of each tray through the coming year, with a band, and a wild curve beside."""
    months = range(0, MONTHS_AHEAD + 1, 2)
    lines = []
    for row in clams:
        low = book.number("shell_growth_low_mm", strain=row.strain, strain_class="CLAM")
        high = book.number("shell_growth_high_mm", strain=row.strain, strain_class="CLAM")
        likely = book.number("shell_growth_mm", strain=row.strain, strain_class="CLAM")
        points = [
            (
                on + timedelta(days=month * 365.25 / 12),
                _ahead(row, month, low),
                _ahead(row, month, likely),
                _ahead(row, month, high),
            )
            for month in months
        ]
        lines.append((f"{row.tray} {row.strain}", points))
    first = next((row for row in clams if row.strain == WILD_OF), None)
    wild = []
    if first is not None:
        wild = [
            (
                on + timedelta(days=month * 365.25 / 12),
                wild_shell_cm(
                    shell_cm=first.max_cm,
                    years=month / 12,
                    largest_cm=WILD_LARGEST_CM,
                    k_per_year=WILD_K_PER_YEAR,
                ),
            )
            for month in months
        ]
    return size_chart(lines=lines, wild=wild, grades=sorted(set(propagules.CLAM_TOP_CM.values())))


def _ahead(row: propagules.ClamTray, months: int, growth_mm_month: float) -> float:
    days = months * 365.25 / 12
    return shell_cm_after(shell_cm=row.max_cm, days=days, growth_mm_month=growth_mm_month)


def _act(request: HttpRequest, user: User) -> None:
    act, now = request.POST.get("act", ""), farm_now()
    if act == "drop":
        row = propagules.log_first_drop(
            strain_key=request.POST.get("strain", ""),
            on=day_of(request, "dropped_on"),
            user=user,
            note=request.POST.get("note", "").strip(),
        )
        messages.success(request, f"The first drop of {row.strain.name} is logged.")
        words = off_season_words(drop_season=row.strain.drop_season, month=row.dropped_on.month)
        if words:
            messages.warning(request, words)
    elif act == "collect":
        cohort = propagules.collect_cohort(
            code=request.POST.get("cohort", "").strip().upper(),
            strain_key=request.POST.get("strain", ""),
            collected_on=day_of(request, "collected_on"),
            pieces=whole_of(request, "pieces"),
            tray_code=request.POST.get("tray", "").strip().upper(),
            user=user,
            now=now,
        )
        messages.success(request, f"{cohort.code} stands in the house.")
    elif act == "leaves":
        split = propagules.note_leaves(
            cohort_code=request.POST.get("cohort", ""),
            sampled_pieces=whole_of(request, "sampled"),
            leafed_pieces=whole_of(request, "leafed"),
            sprout_tray=request.POST.get("tray", "").strip().upper(),
            user=user,
            at=now,
        )
        words = f"{split} moved to the sprouts." if split else "Noted; too few to split yet."
        messages.success(request, words)
    elif act == "days":
        form = ready_dates.sign_reference_days(
            strain_form_id=whole_of(request, "strain_form"),
            days=whole_of(request, "days"),
            reason=request.POST.get("reason", "").strip(),
            user=user,
            at=now,
        )
        messages.success(request, f"{form} takes {form.reference_days} growing days from now on.")
    else:
        raise Unknown(kind="act", name=act or "(none)")

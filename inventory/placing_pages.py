"""Where new cuts would do better, with the looks behind it and next month's light."""

from typing import Any

from django.contrib.auth.decorators import login_required
from django.http import HttpRequest, HttpResponse
from django.shortcuts import render

from inventory.clock import farm_today
from inventory.door import staff_only
from inventory.placing import Better, Placing, placing_advice
from inventory.setting_book import SettingBook

OF = {"grade": "colour grade", "growth": "growth"}


@login_required
def placing_page(request: HttpRequest) -> HttpResponse:
    """Advice for trays of new cuts, every score it comes from, and the light of each trough."""
    staff_only(request)
    on = farm_today()
    found = placing_advice(on=on, book=SettingBook.read(on=on))
    context = {
        "may_go": [_row(row, found) for row in found.advice if not row.stop],
        "must_stay": [_row(row, found) for row in found.advice if row.stop],
        "sentence": _sentence(found),
        "scores": _scores(found),
        "light": _light(found),
        "rule": found.rule,
        "days": found.days,
    }
    return render(request, "inventory/placing.html", context)


def _row(row: Better, found: Placing) -> dict[str, Any]:
    return {
        "tray": row.tray,
        "strain": f"{row.strain} {row.name}",
        "pieces": row.pieces,
        "words": f"{row.present} to {row.best.place}",
        "why": f"{OF[row.measure]} {row.best.score:.2f} there, {row.here:.2f} here",
        "terms": (
            f"{row.best.looks} looks there, mean {row.best.mean:.2f}; "
            f"{row.best.score - row.here:.2f} better, {found.rule.least_gain:g} are asked"
        ),
        "room": f"{row.free_slots} free slot{'' if row.free_slots == 1 else 's'}",
        "light": light_words(row.best.place, found),
        "stop": row.stop,
    }


def light_words(trough: str, found: Placing) -> str:
    """What next month brings a trough: "A1 loses 13% light by 21 Dec"."""
    if trough not in found.light:
        return ""
    change, until = found.light[trough]
    percent = round(abs(change) * 100)
    if not percent:
        return f"{trough} keeps its light until {until:%-d %b}"
    return f"{trough} {'gains' if change > 0 else 'loses'} {percent}% light by {until:%-d %b}"


def _sentence(found: Placing) -> str:
    if found.advice:
        return ""
    most = max((row.looks for rows in found.scores.values() for row in rows.values()), default=0)
    rule = found.rule
    return (
        f"No advice yet: a place must beat the present one by {rule.least_gain:g} on at least "
        f"{rule.least_looks} looks of one strain in {found.days} days; the most there are is "
        f"{most}."
    )


def _scores(found: Placing) -> list[dict[str, Any]]:
    return [
        {
            "strain": strain,
            "measure": OF[measure],
            "place": row.place,
            "looks": row.looks,
            "mean": f"{row.mean:.2f}",
            "score": f"{row.score:.2f}",
        }
        for (strain, measure), rows in sorted(found.scores.items())
        for row in sorted(rows.values(), key=lambda row: (-row.score, row.place))
    ]


def _light(found: Placing) -> list[str]:
    """A sentence for each group of troughs whose light changes alike."""
    groups: dict[str, list[str]] = {}
    for trough in found.light:
        words = light_words(trough, found).removeprefix(trough)
        groups.setdefault(words, []).append(trough)
    if len(groups) == 1:
        [words] = groups
        return [f"Every trough{words}."]
    return [f"{', '.join(troughs)}:{words}." for words, troughs in groups.items()]

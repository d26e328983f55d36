"""Colour through the year: curve, looks, smoothed grade, systems apart, graders, kept forecasts."""

from datetime import date
from typing import Any

from django.contrib import messages
from django.contrib.auth.decorators import login_required
from django.http import HttpRequest, HttpResponse
from django.shortcuts import redirect, render
from django.utils import timezone

from inventory.calc.shares import share_interval
from inventory.charts import season_chart
from inventory.clock import farm_now, farm_today
from inventory.colour_looks import all_looks, grader_rows
from inventory.colour_returns import Season, season_of
from inventory.colour_runs import best_run, standing_systems
from inventory.colour_words import newest_words, say_colour, settle_word
from inventory.colouring import colour_input
from inventory.door import staff_only
from inventory.last_looks import LastLooks, last_looks
from inventory.models import (
    ColourInSystem,
    ColourState,
    ColourWord,
    Listing,
    ReturnSaid,
    Strain,
    User,
)
from inventory.setting_book import SettingBook
from inventory.walk_words import organ_of


@login_required
def seasons_page(request: HttpRequest) -> HttpResponse:
    """Colour strains through the year: curve, looks, smoothed grade, expected return."""
    user = staff_only(request)
    if request.method == "POST":
        messages.success(request, _say(request, user))
        return redirect("seasons")
    on = farm_today()
    book = SettingBook.read(on=on)
    looks = last_looks(on=on)
    strains = Strain.objects.exclude(colour=Strain.Colour.NONE).select_related("strain_class")
    said = list(ReturnSaid.objects.select_related("strain"))
    context = {
        "rows": [
            _season_row(strain, on, book) | {"looks": _look_words(strain, looks)}
            for strain in strains
        ],
        "graders": [
            {
                "name": row.name,
                "looks": row.looks,
                "offset": f"{row.offset:+.2f}",
                "words": _offset_words(row.offset),
            }
            for row in grader_rows(on=on, book=book)
        ],
        "record_sentence": record_sentence(said),
        "said": [_said_row(row) for row in reversed(said)],
        "may_propose": user.may("propose_colour"),
        "may_sign": user.may("rest_strain"),
    }
    return render(request, "inventory/seasons.html", context)


def _say(request: HttpRequest, user: User) -> str:
    """A word that is signed or proposed, or a proposal that is settled. Says what was done."""
    given, now = request.POST, farm_now()
    if number := given.get("word", ""):
        word = settle_word(
            word_id=int(number) if number.isdecimal() else 0,
            is_signed=given.get("act") == "sign",
            user=user,
            at=now,
        )
        return f"{word}: {'signed' if word.signed_on else 'left as it was'}."
    word = say_colour(
        strain_key=given.get("strain", ""),
        system_code=given.get("system", ""),
        is_rest=given.get("act") == "rest",
        reason=given.get("reason", ""),
        user=user,
        at=now,
    )
    if word.is_waiting:
        return f"{word}: proposed. It acts when a lead or the owner signs it."
    return f"{word} from now on. The list and its buyers hear of it within a minute."


def record_sentence(said: list[ReturnSaid]) -> str:
    """How often a strain came back within the band that was said."""
    judged = [row.came_true for row in said if row.came_true is not None]
    if not judged:
        waiting = len({row.strain_id for row in said if row.came_true is None})
        strains = "strain rests" if waiting == 1 else "strains rest"
        words = f"; {waiting} {strains} now and will be judged" if waiting else ""
        return f"No forecast of a return has been judged yet{words}."
    came = sum(judged)
    low, high = share_interval(came=came, of=len(judged))
    return (
        f"“Back about” came true {came} of {len(judged)} times; so few cases put the true share "
        f"between {low:.0%} and {high:.0%}."
    )


def _said_row(row: ReturnSaid) -> dict[str, str]:
    verdict = {None: "still resting", True: "came true", False: "missed"}[row.came_true]
    if row.returned_on:
        away = (row.returned_on - row.likely_on).days
        verdict += f": back {row.returned_on:%-d %b %Y}"
        verdict += f", {abs(away)} d {'late' if away > 0 else 'early'}" if away else ", to the day"
    return {
        "strain": row.strain.key,
        "said_on": f"{row.said_on:%-d %b %Y}",
        "band": f"{row.likely_on:%-d %b %Y} ({row.from_on:%-d %b} to {row.to_on:%-d %b})",
        "verdict": verdict,
    }


def _offset_words(offset: float) -> str:
    if abs(offset) < 0.005:
        return "grades as the others do"
    kind = "kinder" if offset > 0 else "stricter"
    act = "taken off" if offset > 0 else "added to"
    return f"{kind} than the others: {abs(offset):.2f} is {act} each grade"


def _season_row(strain: Strain, on: date, book: SettingBook) -> dict[str, Any]:
    given = colour_input(strain=strain, book=book)
    looks, steps = all_looks(given.looks), given.steps()
    state = ColourState.objects.filter(strain=strain).first()
    if state and state.split_since:
        runs, _ = given.runs(standing=standing_systems(strain_id=strain.pk))
        steps = best_run(runs) if runs else steps
    season = season_of(given=given, book=book)
    band = None
    if state and state.back_from_on and state.back_to_on:
        band = (state.back_from_on, state.back_to_on)
    return {
        "strain": strain,
        "sentence": _season_sentence(strain, state),
        "curve_words": _curve_words(season),
        "systems": [_system_row(row) for row in _systems_of(strain)],
        "standing": standing_systems(strain_id=strain.pk),
        "words": [_word_row(word) for word in newest_words(strain=strain)],
        "chart": season_chart(
            curve=season.curve if season else None,
            on=on,
            looks=[(look.on, look.grade) for look in looks],
            smoothed=[(step.on, step.value) for step in steps],
            back=band,
            rest_below=given.rule.rest_below,
            return_from=given.rule.return_from,
        ),
        "steps": [
            {
                "on": f"{step.on:%a %-d %b %Y}",
                "value": f"{step.value:.2f}",
                "state": f"{step.state}, by a signed word" if step.is_word else step.state,
            }
            for step in reversed(steps)
        ],
        "winter": Listing.objects.filter(
            strain_form__strain=strain, look=Listing.Look.WINTER
        ).first(),
    }


def _look_words(strain: Strain, looks: LastLooks) -> list[str]:
    """Polyps and growth beside the colour, trough by trough."""
    organ = organ_of(strain.strain_class_id)
    found = looks.troughs_of(strain.pk).items()
    return [f"{code}: {look.words(organ)}." for code, look in found if look.words(organ)]


def _word_row(word: ColourWord) -> dict[str, Any]:
    who = f"{word.proposed_by.name}, {timezone.localtime(word.proposed_at):%-d %b %Y %H:%M}"
    if word.is_waiting:
        what = "proposed"
    elif word.signed_on is None:
        what = f"left as it was by {word.settled_by.name}" if word.settled_by else "left"
    elif word.settled_by_id == word.proposed_by_id:
        what = "signed"
    else:
        what = f"signed by {word.settled_by.name}" if word.settled_by else "signed"
    return {
        "id": word.pk,
        "is_waiting": word.is_waiting,
        "says": str(word),
        "reason": word.reason,
        "who": who,
        "what": what,
    }


def _systems_of(strain: Strain) -> list[ColourInSystem]:
    rows = ColourInSystem.objects.filter(strain=strain).select_related("system")
    return list(rows.order_by("system__code"))


def _system_row(row: ColourInSystem) -> dict[str, str]:
    return {
        "system": str(row.system),
        "value": f"{row.value:.2f}",
        "state": row.state,
        "slug": "resting" if row.is_resting else "offered",
        "words": f"since {row.rested_on:%-d %b}; its trays are not sold"
        if row.is_resting and row.rested_on
        else "its trays are sold",
    }


def _curve_words(season: Season | None) -> str:
    """Where the curve comes from; nothing where the owner loaded it."""
    if season is None or season.is_loaded:
        return ""
    curve, seen = season.curve, season.seasons
    times = f"{seen} season{'' if seen == 1 else 's'}"
    return (
        f"No curve was loaded: this one is fitted to its own looks (half way at a day of "
        f"{curve.n50_h:g} h, {curve.lag_days} days late). They have followed {times}, so a return "
        f"is said within {season.band_days} days to each side."
    )


def _season_sentence(strain: Strain, state: ColourState | None) -> str:
    if state is None:
        return f"{strain.name} has not been graded yet; it counts as in colour."
    if state.is_resting and state.back_likely_on:
        return (
            f"{strain.name} rests since {state.rested_on:%-d %b %Y} and is expected back about "
            f"{state.back_likely_on:%-d %b} ({state.back_from_on:%-d %b} to "
            f"{state.back_to_on:%-d %b})."
        )
    if state.is_resting:
        return f"{strain.name} rests since {state.rested_on:%-d %b %Y}."
    apart = (
        f" Its systems differ since {state.split_since:%-d %b}: each is run by itself, the figure "
        "is that of the best."
        if state.split_since
        else ""
    )
    return f"{strain.name} is in colour; its smoothed grade is {state.value:.2f}.{apart}"

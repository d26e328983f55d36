"""HOP 1c returns: a strain's curve, loaded or fitted to its looks -> when it is likely back.

Call from: inventory/colouring.py, inventory/colour_pages.py.
The forecast is shown and never acts. Where the owner loaded no curve it is fitted to the strain's
own looks, and said with a wide band until those have followed two seasons.
"""

from dataclasses import dataclass
from datetime import timedelta

from inventory.calc.colour import (
    RESTING,
    ColourStep,
    ReturnForecast,
    SeasonCurve,
    forecast_return,
)
from inventory.calc.colour_fit import fit_season, seasons_seen
from inventory.colour_looks import all_looks
from inventory.colour_runs import ColourInput
from inventory.models import Site, Strain
from inventory.setting_book import SettingBook


@dataclass(frozen=True, slots=True)
class Season:
    """A strain's curve and how far a forecast by it is trusted. [day to each side]"""

    curve: SeasonCurve
    band_days: int
    is_loaded: bool
    seasons: int = 0


def season_of(*, given: ColourInput, book: SettingBook) -> Season | None:
    """The curve of a strain at the farm's latitude: the owner's, else one fitted to its looks.

    None where the farm's latitude is not known, or where there is neither curve nor look.
    """
    strain = given.strain
    site = Site.objects.filter(is_origin=True).first()
    if site is None or site.latitude_deg is None:
        return None
    sign = 1 if strain.colour == Strain.Colour.WINTER_OUT else -1
    band_days = book.whole("return_band_days")
    if strain.colour_n50_h is not None:
        curve = SeasonCurve(
            n50_h=strain.colour_n50_h,
            k_per_h=strain.colour_k_per_h or 0.0,
            lag_days=strain.colour_lag_days or 0,
            sign=sign,
            latitude_deg=site.latitude_deg,
        )
        return Season(curve, band_days, is_loaded=True)
    looks = all_looks(given.looks)
    fitted = fit_season(looks=looks, sign=sign, latitude_deg=site.latitude_deg)
    if fitted is None:
        return None
    rule = given.rule
    seen = seasons_seen(
        looks=looks,
        sign=sign,
        rest_below=rule.rest_below,
        return_from=rule.return_from,
        least_days=book.whole("season_least_looks"),
    )
    if seen < book.whole("return_band_seasons"):
        band_days = book.whole("return_band_few_days")
    return Season(fitted, band_days, is_loaded=False, seasons=seen)


def return_of(*, last: ColourStep, given: ColourInput, book: SettingBook) -> ReturnForecast | None:
    """When a run that rests is likely back; None while it does not rest or nothing is known."""
    if last.state not in RESTING:
        return None
    season = season_of(given=given, book=book)
    if season is None:
        return None
    rule, rested_on = given.rule, last.rested_on or last.on
    return forecast_return(
        value=last.value,
        on=last.on,
        curve=season.curve,
        band_days=season.band_days,
        line=rule.return_from,
        looks_days=rule.good_span_days,
        good_since=last.good_days[0] if last.good_days else None,
        not_before=rested_on + timedelta(days=rule.least_rest_days),
    )

"""What a farm just set up still lacks before its first list can go out, and where each is mended.

Call from: config/missing_page.py. Reads only; two dozen statements on any farm.
"""

from collections.abc import Iterator
from dataclasses import dataclass
from datetime import datetime, timedelta

from django.db.models import Exists, OuterRef, Q
from django.urls import reverse
from django.utils import timezone

from inventory.models import Balance, Listing, Site, StrainClass, StrainForm, Tray
from inventory.people import Role, User
from inventory.setting_book import SettingBook
from orders.listing import prices_on
from orders.models import Customer, Lane, LaneLeg, Paper, RegionRule, Seat, ShipTo
from orders.rules import EVERYWHERE
from shipping.models import BagKind, BoxKind, Forecast

# Acts that a week cannot do without, and who may do them.
NEEDED_ROLES = (
    ((Role.OFFICE, Role.OWNER), "publish the list"),
    ((Role.LEAD, Role.OWNER), "lift a hold"),
    ((Role.GROWER, Role.LEAD, Role.OWNER), "walk and count"),
    ((Role.PACKER, Role.LEAD, Role.OWNER), "pick and pack"),
)


@dataclass(frozen=True, slots=True)
class Lack:
    """One thing that is not there. ``url`` opens where it is mended; else ``file`` is loaded.

    ``act`` says what is done there, in words that no other row has.
    """

    name: str
    why: str
    url: str = ""
    act: str = ""
    file: str = ""


def _edit(subject: str, key: str = "new") -> str:
    """The edit page of one row, or the form of a new one."""
    return reverse("edit-row", args=[subject, key])


@dataclass(frozen=True, slots=True)
class Part:
    """One part of a farm and what it lacks. ``stops`` says whether a list waits for it."""

    name: str
    stops: bool
    lacks: tuple[Lack, ...]


def whats_missing(*, now: datetime) -> list[Part]:
    """Every part of the farm in the order in which it is loaded, with what it lacks."""
    on = timezone.localdate(now)
    book = SettingBook.read(on=on)
    return [
        Part("the farm", True, tuple(_farm())),
        Part("people", True, tuple(_people())),
        Part("prices", True, tuple(_prices(now))),
        Part("counts", True, tuple(_counts(now, book))),
        Part("packing", True, tuple(_packing())),
        Part("lanes", True, tuple(_lanes())),
        Part("rules of each region", True, tuple(_rules())),
        Part("weather", True, tuple(_weather(now, book))),
        Part("photos", False, tuple(_photos())),
        Part("papers", False, tuple(_papers(now))),
        Part("buyers' log-ins", False, tuple(_log_ins())),
    ]


def how_many(*, parts: list[Part]) -> int:
    """How many things stop the first list: the number that counts down to zero."""
    return sum(len(part.lacks) for part in parts if part.stops)


def _farm() -> Iterator[Lack]:
    site = Site.objects.filter(is_origin=True).first()
    if site is None:
        yield Lack("the farm itself", "no site is marked as origin", file="farm.csv")
    elif site.latitude_deg is None:
        why = "without a latitude no light, no ready date and no colour season can be reckoned"
        yield Lack(site.name, why, file="farm.csv")
    if not Tray.objects.exists():
        yield Lack("trays", "nothing has a place to stand", file="trays.csv")


def _people() -> Iterator[Lack]:
    roles = set(User.objects.filter(is_active=True).values_list("role", flat=True).distinct())
    for needed, act in NEEDED_ROLES:
        if not roles & set(needed):
            yield Lack(
                " or ".join(needed), f"nobody may {act}", _edit("people"), f"Add who may {act}"
            )


def _sold() -> Q:
    """Listings in their colour of strains that are made: those that are offered."""
    return Q(strain_form__strain__is_making=True, look=Listing.Look.COLOUR)


def _prices(now: datetime) -> Iterator[Lack]:
    priced = prices_on(on=timezone.localdate(now))
    listings = Listing.objects.filter(_sold()).exclude(pk__in=priced).order_by("name")
    for name, title in listings.values_list("name", "title"):
        yield Lack(
            name,
            f"{title} has no list price and is left off",
            _edit("prices", name),
            f"Price {name}",
        )


def _counts(now: datetime, book: SettingBook) -> Iterator[Lack]:
    oldest = timezone.localdate(now) - timedelta(days=book.whole("old_count_days"))
    trays = Balance.objects.filter(
        pieces__gt=0,
        counted_on__lt=oldest,
        tray__use=Tray.Use.SALE,
        strain_form__strain__is_making=True,
    ).select_related("tray", "strain_form__strain", "strain_form__form")
    for row in trays.order_by("tray__trough__walk_order", "tray__slot"):
        why = f"{row.strain_form} was counted last on {row.counted_on:%a %-d %b}"
        yield Lack(
            row.tray.code, why, reverse("tray-mark", args=[row.tray.code]), f"Count {row.tray.code}"
        )
    stands = Balance.objects.filter(strain_form=OuterRef("pk"))
    never = StrainForm.objects.filter(~Exists(stands), strain__is_making=True)
    for strain_form in never.select_related("strain", "form"):
        yield Lack(str(strain_form), "no tray of it was ever counted", file="stock.csv")


def _packing() -> Iterator[Lack]:
    bags = set(BagKind.objects.values_list("code", flat=True))
    forms = StrainForm.objects.filter(strain__is_making=True).exclude(bag__in=bags)
    for row in forms.select_related("strain", "form"):
        why = f"its bag {row.bag or '(none)'} is not described"
        yield Lack(str(row), why, _edit("strain-forms", str(row)), f"Choose the bag of {row}")
    if not BoxKind.objects.exists():
        yield Lack("boxes", "no box size is described", file="boxes.csv")


def _lanes() -> Iterator[Lack]:
    profiles = set(LaneLeg.objects.values_list("profile", flat=True))
    for lane in Lane.objects.exclude(profile__in=profiles).order_by("code"):
        yield Lack(
            lane.code,
            f"its way {lane.profile} has no legs",
            _edit("lanes", lane.code),
            f"Mend {lane.code}",
        )
    if not ShipTo.objects.exists():
        yield Lack("ship-tos", "there is nowhere to send a box", _edit("ship-tos"), "Add a ship-to")


def _rules() -> Iterator[Lack]:
    """Every ship-to's region has a verdict for every class, its own or one for everywhere."""
    classes = dict(StrainClass.objects.order_by("list_order").values_list("code", "name"))
    known: dict[str, set[str]] = {}
    rows = RegionRule.objects.filter(strain_class__isnull=False)
    for region, code in rows.values_list("region", "strain_class"):
        known.setdefault(region, set()).add(code)
    for region in ShipTo.objects.order_by("region").values_list("region", flat=True).distinct():
        there = known.get(region, set()) | known.get(EVERYWHERE, set())
        for words in (name.lower() for code, name in classes.items() if code not in there):
            why = f"no rule says whether {words} may go there"
            name = f"{region}, {words}"
            yield Lack(name, why, _edit("region-rules"), f"Write the rule of {name}")


def _weather(now: datetime, book: SettingBook) -> Iterator[Lack]:
    since = now - timedelta(hours=book.number("forecast_max_age_h"))
    if not Forecast.objects.filter(issued_at__gte=since, issued_at__lte=now).exists():
        why = f"no source has answered since {timezone.localtime(since):%a %-d %b %H:%M}"
        yield Lack("forecasts", why, file="forecasts.csv")


def _photos() -> Iterator[Lack]:
    listings = Listing.objects.filter(_sold(), photo="")
    for row in listings.order_by("name"):
        yield Lack(
            row.name,
            f"buyers see no photo of {row.title}",
            _edit("listings", row.name),
            f"Add the photo of {row.name}",
        )


def _papers(now: datetime) -> Iterator[Lack]:
    """Ship-tos to whose region something goes with a paper only, and that have none in force."""
    on = timezone.localdate(now)
    wants = RegionRule.objects.filter(verdict=RegionRule.Verdict.PAPER)
    texts: dict[str, list[str]] = {}
    for rule in wants.select_related("strain_class").order_by("region", "pk"):
        what = rule.taxon or (rule.strain_class.name.lower() if rule.strain_class else "")
        texts.setdefault(rule.region, []).append(what or "whatever is listed for trade")
    papers = [row for row in Paper.objects.all() if row.is_valid_on(on)]
    for ship_to in ShipTo.objects.select_related("customer"):
        regions = [ship_to.region, *(["export"] if ship_to.is_export else [])]
        wanted = [what for region in regions for what in texts.get(region, [])]
        on_file = any(
            row.ship_to_id == ship_to.pk or row.customer_id == ship_to.customer_id for row in papers
        )
        if wanted and not on_file:
            why = f"no paper on file; needed there for {', '.join(dict.fromkeys(wanted))}"
            yield Lack(str(ship_to), why, _edit("papers"), f"File the paper of {ship_to.code}")


def _log_ins() -> Iterator[Lack]:
    seats = Seat.objects.filter(customer=OuterRef("pk"), user__is_active=True)
    for customer in Customer.objects.filter(~Exists(seats)):
        why = "nobody there can log in; the office orders for them"
        name = f"{customer.code} {customer.name}"
        yield Lack(name, why, _edit("people"), f"Invite a buyer of {customer.code}")

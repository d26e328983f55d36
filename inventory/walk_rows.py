"""What the walk shows: troughs in walking order, their trays, their colour strains, who looked.

Call from: inventory/walk_pages.py, inventory/walk_papers.py, config/walk_page.py.
A handful of statements, whatever the size of the house.
"""

from collections import defaultdict
from collections.abc import Mapping
from dataclasses import dataclass, field, replace
from datetime import date, datetime, time, timedelta
from decimal import Decimal
from itertools import pairwise

from django.utils import timezone

from inventory.calc.colour_next import NextLook, next_looks
from inventory.colouring import colour_inputs
from inventory.last_looks import LastLooks, last_looks
from inventory.models import (
    Balance,
    ColourInSystem,
    ColourState,
    Count,
    Hold,
    Listing,
    Strain,
    Trough,
    WalkNote,
)
from inventory.setting_book import SettingBook
from inventory.walk_words import organ_of

# Palytoxin is likely in the lines graded so; gloves and goggles. Common practice, no source.
TOXIC_FROM = 2

# A grade in words, as the five bars say it.
BAR_WORDS = {
    4: "as the photo",
    3: "sells without comment",
    2: "a shop would complain",
    1: "another colour",
    0: "pale or bare",
}


@dataclass(frozen=True, slots=True)
class Grade:
    """One target of a bar: a grade and what it would do."""

    value: str
    label: str
    words: str


@dataclass(frozen=True, slots=True)
class Bar:
    """One of five bars: the whole grade, and the half above it."""

    whole: Grade
    half: Grade | None
    name: str


@dataclass(frozen=True, slots=True)
class StrainRow:
    """A colour strain in a trough, with its five bars."""

    key: str
    name: str
    photo: str
    state_words: str
    bars: list[Bar]
    look_words: str = ""


@dataclass(frozen=True, slots=True)
class Standing:
    """Any strain that stands in a trough. ``organ`` is what opens: polyps, mantle, or nothing."""

    key: str
    name: str
    organ: str
    look_words: str


@dataclass(frozen=True, slots=True)
class TrayRow:
    """A tray on the walk."""

    code: str
    strain: str
    strain_name: str
    form: str
    state: str
    use: str
    pieces: int
    positions: int
    counted_on: date
    is_old: bool
    is_waiting: bool
    cohort: str
    is_toxic: bool
    organ: str
    look_words: str

    @property
    def may_be_ready(self) -> bool:
        return self.state == "growing"

    @property
    def counted_words(self) -> str:
        return f"on {self.counted_on:%a %-d %b}"


@dataclass(slots=True)
class TroughRow:
    """A trough on the walk. ``looked`` is empty until somebody has looked on the day."""

    code: str
    system: str
    system_name: str
    kind: str
    held: str
    looked: str
    after: str = ""
    strains: list[StrainRow] = field(default_factory=list)
    standing: list[Standing] = field(default_factory=list)

    @property
    def organ(self) -> str:
        """What a look at this trough asks about: polyps where any stand, else a mantle."""
        organs = {row.organ for row in self.standing}
        return next((organ for organ in ("polyps", "mantle") if organ in organs), "")

    trays: list[TrayRow] = field(default_factory=list)


def walk_troughs(*, codes: list[str] | None = None) -> list[Trough]:
    """Troughs in walking order: cleanest system first, held systems last.

    A system is the cleaner the longer ago its last hold was lifted; wet hands carry what lives in
    the water from one system into the next. Common practice, no source.
    """
    held = set(
        Hold.objects.filter(state__in=Hold.OPEN, system__isnull=False).values_list(
            "system_id", flat=True
        )
    )
    rows = Trough.objects.select_related("system")
    if codes is not None:
        rows = rows.filter(code__in=codes)
    return sorted(
        rows,
        key=lambda row: (
            row.system_id in held,
            row.system.last_lifted_on or date.min,
            row.system.code,
            row.walk_order,
        ),
    )


def walk_rows(*, now: datetime, codes: list[str] | None = None) -> list[TroughRow]:
    """Every trough (or those named) with all that its page shows."""
    on = timezone.localdate(now)
    book = SettingBook.read(on=on)
    troughs = walk_troughs(codes=codes)
    held, looked = _held_words(), looked_by(on=on)
    rows = {
        row.pk: TroughRow(
            code=row.code,
            system=row.system.code,
            system_name=row.system.name,
            kind=row.kind,
            held=held.get(("system", row.system_id)) or held.get(("trough", row.pk), ""),
            looked=looked.get(row.code, ""),
        )
        for row in troughs
    }
    strains = _add_trays(rows, on, book, last_looks(on=on))
    _add_strains(rows, strains, on, book)
    shown = [rows[row.pk] for row in troughs]
    for row, after in pairwise(shown):
        row.after = after.code
    return shown


def _held_words() -> dict[tuple[str, int | None], str]:
    words: dict[tuple[str, int | None], str] = {}
    for hold in Hold.objects.filter(state__in=Hold.OPEN).order_by("-raised_at"):
        text = f"{hold.code}: {hold.reason}"
        if hold.system_id:
            words["system", hold.system_id] = text
        elif hold.trough_id:
            words["trough", hold.trough_id] = text
    return words


def _day(on: date) -> tuple[datetime, datetime]:
    start = timezone.make_aware(datetime.combine(on, time.min))
    return start, timezone.make_aware(datetime.combine(on + timedelta(days=1), time.min))


def looked_by(*, on: date) -> dict[str, str]:
    """Who looked last at each trough on a day and when; a trough not named was not looked at.

    A note that was taken back is no look, and neither is the taking back.
    """
    first, last = _day(on)
    notes = WalkNote.objects.filter(
        looked_at__gte=first, looked_at__lt=last, undone_by__isnull=True
    ).exclude(kind=WalkNote.Kind.UNDO)
    counts = Count.objects.filter(looked_at__gte=first, looked_at__lt=last, undone_by__isnull=True)
    looks = [*notes.values_list("trough__code", "looked_at", "user__name")]
    looks += [*counts.values_list("tray__trough__code", "looked_at", "user__name")]
    newest: dict[str, tuple[datetime, str]] = {}
    for code, at, name in looks:
        if code not in newest or newest[code][0] < at:
            newest[code] = (at, name)
    return {code: f"{name}, {timezone.localtime(at):%H:%M}" for code, (at, name) in newest.items()}


def _add_trays(
    rows: Mapping[int, TroughRow], on: date, book: SettingBook, looks: LastLooks
) -> dict[int, dict[int, Strain]]:
    """Put each tray under its trough. Returns the colour strains of each trough."""
    old_days = book.whole("old_count_days")
    waiting = set(
        Count.objects.filter(is_waiting=True, undone_by__isnull=True).values_list(
            "tray_id", flat=True
        )
    )
    balances = Balance.objects.filter(tray__trough_id__in=rows, pieces__gt=0)
    balances = balances.select_related(
        "tray", "lot__cohort", "strain_form__strain__colour_state", "strain_form__form"
    )
    strains: dict[int, dict[int, Strain]] = defaultdict(dict)
    for balance in balances.order_by("tray__slot"):
        strain, trough = balance.strain_form.strain, rows[balance.tray.trough_id]
        organ = organ_of(strain.strain_class_id)
        if all(row.key != strain.key for row in trough.standing):
            look = looks.of_trough(trough.code, strain.pk)
            trough.standing.append(Standing(strain.key, strain.name, organ, look.words(organ)))
        if strain.is_colour_strain:
            strains[balance.tray.trough_id][strain.pk] = strain
        trough.trays.append(
            TrayRow(
                code=balance.tray.code,
                strain=strain.key,
                strain_name=strain.name,
                form=balance.strain_form.form.key,
                state=balance.lot.state,
                use=balance.tray.use,
                pieces=balance.pieces,
                positions=balance.tray.positions,
                counted_on=balance.counted_on,
                is_old=balance.lot.state != "kept" and (on - balance.counted_on).days > old_days,
                is_waiting=balance.tray_id in waiting,
                cohort=balance.lot.cohort.code if balance.lot.cohort else "",
                is_toxic=strain.toxin >= TOXIC_FROM,
                organ=organ,
                look_words=looks.of_tray(balance.tray.code, strain.pk).words(organ),
            )
        )
    return strains


def _add_strains(
    rows: Mapping[int, TroughRow],
    strains: Mapping[int, Mapping[int, Strain]],
    on: date,
    book: SettingBook,
) -> None:
    every = {pk: strain for found in strains.values() for pk, strain in found.items()}
    shown = strain_rows(strains=list(every.values()), on=on, book=book)
    for trough_id, found in strains.items():
        row = rows[trough_id]
        looks = {one.key: one.look_words for one in row.standing}
        row.strains = [
            replace(one, look_words=looks[one.key])
            for one in (shown.get((pk, row.system)) or shown[pk, ""] for pk in found)
        ]


def strain_rows(
    *, strains: list[Strain], on: date, book: SettingBook
) -> dict[tuple[int, str], StrainRow]:
    """Colour strains with the five bars and what each grade would do, by (strain, "").

    A strain whose systems are run each by itself has a row by (strain, system) for each as well.
    """
    given = colour_inputs(strains=strains, book=book)
    apart = ColourInSystem.objects.filter(strain__in=strains).select_related("system")
    states: dict[tuple[int, str], ColourState | ColourInSystem | None] = {
        (strain.pk, ""): getattr(strain, "colour_state", None) for strain in strains
    }
    states |= {(row.strain_id, row.system.code): row for row in apart}
    named = {strain.pk: strain for strain in strains}
    photos = dict(
        Listing.objects.filter(strain_form__strain__in=strains, look=Listing.Look.COLOUR)
        .exclude(photo="")
        .values_list("strain_form__strain_id", "photo")
    )
    found = {}
    for (pk, system), state in states.items():
        looks, words = given[pk].of(system)
        nexts = next_looks(looks=looks, on=on, rule=given[pk].rule, words=words)
        found[pk, system] = _strain_row(named[pk], nexts, photos.get(pk, ""), state)
    return found


def _strain_row(
    strain: Strain,
    nexts: list[NextLook],
    photo: str,
    state: ColourState | ColourInSystem | None,
) -> StrainRow:
    grades = {
        row.grade: Grade(
            value=f"{Decimal(str(row.grade)).normalize():f}",
            label=f"{int(row.grade)}{'½' if row.grade % 1 else ''}",
            words=row.words,
        )
        for row in nexts
    }
    bars = [Bar(grades[whole], grades.get(whole + 0.5), BAR_WORDS[whole]) for whole in BAR_WORDS]
    words = f"smoothed {state.value:.2f}, {state.state}" if state else "not graded yet"
    if isinstance(state, ColourInSystem):
        words += f" in system {state.system.code}, which is run by itself"
    return StrainRow(strain.key, strain.name, photo, words, bars)

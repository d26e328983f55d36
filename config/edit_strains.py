"""The edit tables of strains, their forms, and their listings with the photo.

Call from: config/edit_subjects.py.
"""

import re
from collections.abc import Sequence
from datetime import date, datetime
from pathlib import Path
from typing import Any, ClassVar

from django.conf import settings
from django.db.models import Sum
from django.utils import timezone

from config.edit_fields import Fault, Field, code, day, maybe, number, one_of, tick, whole, words
from config.edit_rows import UNDER_WAY, RowSubject, choices_of
from config.editing import Edit, Touched, Values
from inventory.clock import farm_today
from inventory.errors import Unknown
from inventory.holds import lower_floor
from inventory.models import Balance, Form, Happening, Listing, Strain, StrainClass, StrainForm
from inventory.setting_book import SettingBook
from orders.models import Line, ShipWeek
from shipping.models import BagKind

PHOTO_FOLDER = "listings"
PHOTO = re.compile(rf"photos/{PHOTO_FOLDER}/[0-9a-f]{{24}}\.jpg")


def _cites() -> Sequence[tuple[str, str]]:
    return (("", "none"), ("I", "appendix I"), ("II", "appendix II"), ("III", "appendix III"))


def _colours() -> Sequence[tuple[str, str]]:
    return list(Strain.Colour.choices)


def _rules() -> Sequence[tuple[str, str]]:
    return list(Listing.Rule.choices)


def _lights() -> Sequence[tuple[str, str]]:
    return (("", "not said"), ("day", "daylight"), ("white", "white light"), ("blue", "blue light"))


def open_lists_of(**where: Any) -> Touched:
    """The listings of open weeks, and lines asked for that have not left, of some strain-forms."""
    listings = Listing.objects.filter(**where)
    names = ", ".join(listings.values_list("name", flat=True))
    weeks = ShipWeek.objects.filter(closed_at__isnull=True).order_by("monday")
    lines = Line.objects.filter(listing__in=listings, order__state__in=UNDER_WAY)
    return [
        *(
            ("list", f"{week.name}, {'out' if week.published_at else 'not out yet'}: {names}")
            for week in weeks
            if names
        ),
        *(
            ("line", f"order {line.order.number}, {line.listing.name}: {line.asked} asked")
            for line in lines.select_related("order", "listing").order_by("order__number")
        ),
    ]


class Strains(RowSubject):
    key = "strains"
    title = "Strains"
    one = "strain"
    intro = "Lines of clones: name, taxon, care, law, season, mother floor. A key is never reused."
    columns: ClassVar[tuple[str, ...]] = ("taxon", "level", "floor", "")
    right = "edit_strains"
    moves_lists = True
    has_start = True
    model = Strain
    known_by = "key"
    links: ClassVar[Any] = {"strain_class": (StrainClass, "code")}
    table: ClassVar[tuple[Field, ...]] = (
        Field("key", "Key", code(3, what="key of three letters"), is_for_new=True),
        Field("name", "Name", words(60, is_needed=True)),
        Field("taxon", "Taxon", words(80, is_needed=True), "", "papers and law rows go by it"),
        Field("strain_class", "Class", one_of(choices_of(StrainClass, "code")), "", "", "choice",
              choices_of(StrainClass, "code"), is_for_new=True),
        Field("level", "Level of care", whole(least=1, most=5), "1 to 5"),
        Field("sting", "Sting", whole(least=0, most=3), "0 to 3"),
        Field("toxin", "Toxin", whole(least=0, most=3), "0 to 3", "from 2 on: gloves and goggles"),
        Field("is_spiky", "Its skeleton is spiky", tick, "", "", "tick"),
        Field("cites_appendix", "CITES", one_of(_cites), "", "", "choice", _cites),
        Field("is_reexport", "Goes abroad as a re-export", tick, "", "", "tick"),
        Field("law_watch", "Law watch", words(200), "", "what is being decided about it"),
        Field("colour", "Selling colour", one_of(_colours), "", "", "choice", _colours),
        Field("drop_season", "Drop season", words(20), "", "trees only"),
        Field("held_since", "Held since", whole(least=1900, most=2200), "year"),
        Field("is_making", "Is being grown for sale", tick, "", "", "tick"),
        Field("floor_pieces", "Mother floor", whole(least=0, most=500), "pieces",
              "only the owner lowers it, and never below the hard floor"),
    )  # fmt: skip
    begins_with: ClassVar[Values] = {
        "colour": "none", "is_making": True, "level": 3, "sting": 0, "toxin": 0,
    }  # fmt: skip

    def words(self, row: Strain) -> str:
        return f"{row.key} {row.name}"

    def all(self) -> Any:
        return Strain.objects.select_related("strain_class")

    def group(self, row: Strain) -> str:
        return row.strain_class.name

    def cells(self, row: Strain, *, on: date) -> tuple[str, ...]:
        floor = f"{row.floor_pieces}, never below {row.hard_floor_pieces}"
        return (row.taxon, f"{row.level}", floor, "" if row.is_making else "not grown now")

    def faults(self, row: Strain | None, values: Values) -> dict[str, str]:
        if row is None and not re.fullmatch("[A-Z]{3}", values["key"]):
            return {"key": "A key is three letters. Type one that was never used, such as QRS."}
        hard = row.hard_floor_pieces if row is not None else 0
        if values["floor_pieces"] < hard:
            return {"floor_pieces": f"The hard floor is {hard}. Type {hard} or more."}
        if row is None and 0 < values["floor_pieces"] < 4:
            return {"floor_pieces": "A floor is 4 pieces or more, or 0. Type one of them."}
        return {}

    def put(self, row: Strain, name: str, value: Any, edit: Edit) -> None:
        if name == "floor_pieces" and row.pk is not None:
            return  # through its own hop, which asks for the owner
        super().put(row, name, value, edit)
        if name == "floor_pieces":
            # Half the floor, and never under 4, is what nobody may cross.
            row.hard_floor_pieces = max(4, value // 2) if value else 0

    def note_fields(self, row: Strain, edit: Edit) -> list[Field]:
        fields = super().note_fields(row, edit)
        is_own_hop = bool(edit.before) and edit.differs("floor_pieces")
        return [field for field in fields if not (is_own_hop and field.name == "floor_pieces")]

    def written(self, row: Strain, edit: Edit) -> None:
        facts = {"strain": row.key, "reason": edit.reason}
        Happening.objects.create(kind="strain.edited", at=edit.now, facts=facts)
        if edit.before and edit.differs("floor_pieces"):
            lower_floor(
                strain_key=row.key,
                pieces=edit.after["floor_pieces"],
                reason=edit.reason,
                user=edit.user,
                at=edit.now,
            )

    def touched(
        self, row: Strain | None, *, after: Values, starts_on: date, now: datetime
    ) -> Touched:
        if row is None:
            book = SettingBook.read(on=timezone.localdate(now))
            usual = book.whole("floor_pieces", strain_class=after["strain_class"])
            return [
                ("next", "it needs a form, a tray with pieces, and a listing with its price"),
                ("floor", f"{usual} pieces are usual for its class"),
            ]
        standing = Balance.objects.filter(lot__strain_form__strain=row, pieces__gt=0)
        trays = sorted(set(standing.values_list("tray__code", flat=True)))
        found = open_lists_of(strain_form__strain=row)
        if trays:
            found.append(("trays", f"{', '.join(trays)}: their marks carry its name"))
        return found


class StrainForms(RowSubject):
    key = "strain-forms"
    title = "Strains in their forms"
    one = "strain-form"
    intro = "How a strain is grown and bagged in one form: days, healing, yield, bag."
    columns: ClassVar[tuple[str, ...]] = ("bag", "days", "heals", "yield")
    right = "edit_strains"
    moves_lists = True
    has_start = True
    model = StrainForm
    known_by = "form"
    links: ClassVar[Any] = {"strain": (Strain, "key"), "form": (Form, "key")}
    table: ClassVar[tuple[Field, ...]] = (
        Field("strain", "Strain", one_of(choices_of(Strain, "key")), "", "", "choice",
              choices_of(Strain, "key"), is_for_new=True),
        Field("form", "Form", one_of(choices_of(Form, "key")), "", "", "choice",
              choices_of(Form, "key"), is_for_new=True),
        Field("bag", "Bag", one_of(choices_of(BagKind, "code")), "", "", "choice",
              choices_of(BagKind, "code")),
        Field("reference_days", "Days from cut to ready", maybe(whole(least=1, most=2000)), "days",
              "under the reference light"),
        Field("heal_share", "Share that heals", maybe(number(least=0, most=1, like="0.95"))),
        Field("yield_pieces", "Yield of one mother", maybe(whole(least=1, most=200)), "pieces"),
    )  # fmt: skip

    def all(self) -> Any:
        return StrainForm.objects.select_related("strain__strain_class", "form")

    def name_of(self, row: StrainForm) -> str:
        return str(row)

    def group(self, row: StrainForm) -> str:
        return row.strain.strain_class.name

    def find(self, key: str) -> StrainForm:
        strain, _, form = key.partition(" ")
        row = self.all().filter(strain__key=strain, form__key=form).first()
        if row is None:
            raise Unknown(kind=self.one, name=key[:30])
        return row

    def cells(self, row: StrainForm, *, on: date) -> tuple[str, ...]:
        return (
            row.bag,
            f"{row.reference_days or ''}",
            f"{row.heal_share if row.heal_share is not None else ''}",
            f"{row.yield_pieces or ''}",
        )

    def written(self, row: StrainForm, edit: Edit) -> None:
        facts = {"strain": row.strain.key, "reason": edit.reason}
        Happening.objects.create(kind="strain.edited", at=edit.now, facts=facts)

    def touched(self, row: StrainForm, *, after: Values, starts_on: date, now: datetime) -> Touched:
        growing = Balance.objects.filter(
            lot__strain_form=row, lot__state__in=["healing", "growing"]
        )
        trays = growing.filter(pieces__gt=0).values_list("tray__code", flat=True)
        pieces = growing.aggregate(Sum("pieces"))["pieces__sum"] or 0
        found = open_lists_of(strain_form=row)
        if pieces:
            found.append(
                (
                    "trays",
                    f"{', '.join(sorted(set(trays)))}: {pieces} pieces are growing; their ready "
                    "dates are reckoned anew the next morning",
                )
            )
        return found


def _kept_photo(text: str) -> str:
    """The path of a photo that was stored here; nothing else can be named."""
    kept = text.strip()
    if kept and not (PHOTO.fullmatch(kept) and (Path(settings.FARM_HOME) / kept).is_file()):
        raise Fault("That photo is not here any more. Choose the picture again.")
    return kept


def _strain_forms() -> Sequence[tuple[str, str]]:
    rows = StrainForm.objects.select_related("strain", "form")
    return [(str(row), f"{row} {row.strain.name}") for row in rows]


def _looks() -> Sequence[tuple[str, str]]:
    return list(Listing.Look.choices)


class Listings(RowSubject):
    key = "listings"
    title = "Listings and photos"
    one = "listing"
    intro = (
        "What is offered under which name, its photo and its light, how it is shared when short."
    )
    columns: ClassVar[tuple[str, ...]] = ("shared", "photo")
    right = "edit_strains"
    moves_lists = False
    model = Listing
    known_by = "name"
    has_files = True
    table: ClassVar[tuple[Field, ...]] = (
        Field("name", "Name", words(24, is_needed=True), "", "such as PLT plug; never changed",
              is_for_new=True),
        Field("strain_form", "Strain and form", one_of(_strain_forms), "", "", "choice",
              _strain_forms, is_for_new=True),
        Field("look", "Look", one_of(_looks), "", "a winter look has a price of its own", "choice",
              _looks, is_for_new=True),
        Field("title", "Title on the list", words(80, is_needed=True)),
        Field("share_rule", "When it is short", one_of(_rules), "", "", "choice", _rules),
        Field("photo", "Photo", _kept_photo, "",
              "JPEG, PNG or WebP up to 12 MB; place and camera are not kept", "file"),
        Field("photo_light", "Taken in", one_of(_lights), "",
              "blue light hides what daylight shows", "choice", _lights),
        Field("photo_on", "Taken on", maybe(day), "", "", "date"),
    )  # fmt: skip

    def all(self) -> Any:
        return Listing.objects.select_related("strain_form__strain__strain_class")

    def words(self, row: Listing) -> str:
        return f"{row.name} {row.title}"

    def group(self, row: Listing) -> str:
        return row.strain_form.strain.strain_class.name

    def cells(self, row: Listing, *, on: date) -> tuple[str, ...]:
        taken = f" of {row.photo_on:%-d %b %Y}" if row.photo_on else ""
        return (row.get_share_rule_display(), f"photo{taken}" if row.photo else "no photo")

    def faults(self, row: Listing, values: Values) -> dict[str, str]:
        if values["photo"] and values["photo_on"] is None:
            return {"photo_on": "Buyers ask how old it is. Type the day it was taken."}
        if values["photo_on"] is not None and values["photo_on"] > farm_today():
            return {"photo_on": "That day lies ahead. Type the day the photo was taken."}
        return {}

    begins_with: ClassVar[Values] = {"share_rule": "mixed"}

    def put(self, row: Listing, name: str, value: Any, edit: Edit) -> None:
        if name == "strain_form":
            strain, _, form = value.partition(" ")
            value = StrainForm.objects.get(strain__key=strain, form__key=form)
        setattr(row, name, value)

    def touched(
        self, row: Listing | None, *, after: Values, starts_on: date, now: datetime
    ) -> Touched:
        if row is None:
            return [("next", "it is on no list until it has a price")]
        found = open_lists_of(pk=row.pk)
        if after["share_rule"] != row.share_rule:
            found.insert(0, ("sharing", "counts when its list is shared out the next time"))
        return found

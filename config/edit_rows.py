"""What the edit tables of plain rows have in common: fields that are the model's own columns.

Call from: config/edit_customers.py, config/edit_lanes.py, config/edit_strains.py and the others.
"""

from collections.abc import Iterable, Mapping, Sequence
from datetime import date
from typing import Any, ClassVar

from django.db import IntegrityError, models, transaction

from config.edit_fields import Field
from config.edit_trials import UNDER_WAY
from config.editing import Edit, RowWords, Subject, Touched, Values
from inventory.errors import FarmError, Unknown
from orders.models import Order
from shipping.models import PackPlan


class RowThereAlready(FarmError):
    code = "row_there_already"
    title = "There is one like it already"
    message = "A {what} {name} stands there already. Open that one, or choose another {by}."


class RowSubject(Subject):
    """Rows of one model, found by one column; what they are known by never changes."""

    model: ClassVar[type[models.Model]]
    known_by: ClassVar[str] = "code"
    table: ClassVar[tuple[Field, ...]] = ()
    # Fields that name another row: field -> (model, the column that is typed).
    links: ClassVar[Mapping[str, tuple[type[models.Model], str]]] = {}
    begins_with: ClassVar[Values] = {}
    can_add = True

    def fields(self, row: Any) -> Sequence[Field]:
        return [field for field in self.table if row is None or not field.is_for_new]

    def find(self, key: str) -> Any:
        row = self.model._base_manager.filter(**{self.known_by: key}).first()
        if row is None:
            raise Unknown(kind=self.one, name=key[:60])
        return row

    def name_of(self, row: Any) -> str:
        return str(getattr(row, self.known_by))

    def cells(self, row: Any, *, on: date) -> tuple[str, ...]:
        return ()

    def group(self, row: Any) -> str:
        return ""

    def all(self) -> Iterable[Any]:
        return self.model._default_manager.all()

    def rows(self, *, on: date) -> Sequence[RowWords]:
        return [
            RowWords(self.key_of(row), self.words(row), self.cells(row, on=on), self.group(row))
            for row in self.all()
        ]

    def heading(self, row: Any) -> str:
        return self.words(row)

    def words(self, row: Any) -> str:
        return self.name_of(row)

    def values(self, row: Any, *, on: date) -> Values:
        if row is None:
            return dict(self.begins_with)
        return {field.name: self.value(row, field.name) for field in self.fields(row)}

    def value(self, row: Any, name: str) -> Any:
        if name in self.links:
            other = getattr(row, name)
            return str(getattr(other, self.links[name][1])) if other is not None else ""
        return getattr(row, name)

    def write(self, row: Any, edit: Edit) -> Any:
        is_new = row is None
        kept = self.model(**self.made_with(edit)) if is_new else row
        for name, value in edit.after.items():
            self.put(kept, name, value, edit)
        self.save(kept, edit)
        name = self.name_of(kept)
        edit.note(what=self.one[:20], name=name, fields=self.note_fields(kept, edit))
        self.written(kept, edit)
        return kept

    def note_fields(self, row: Any, edit: Edit) -> list[Field]:
        """The fields whose changes are kept here; another hop keeps its own."""
        return [field for field in self.table if field.name in edit.after]

    def made_with(self, edit: Edit) -> Values:
        """What a new row has that nobody types."""
        return {}

    def put(self, row: Any, name: str, value: Any, edit: Edit) -> None:
        if name in self.links:
            other, by = self.links[name]
            value = other._base_manager.get(**{by: value}) if value not in ("", None) else None
        setattr(row, name, value)

    def save(self, row: Any, edit: Edit) -> None:
        """Write the columns. Raises RowThereAlready."""
        try:
            with transaction.atomic():
                row.save()
        except IntegrityError as error:
            if "unique" not in str(error).lower():
                raise
            raise RowThereAlready(
                what=self.one, name=self.name_of(row), by=self.known_by.replace("_", " ")
            ) from None

    def written(self, row: Any, edit: Edit) -> None:
        """What follows in the same transaction."""


def choices_of(model: type[models.Model], by: str, *, is_needed: bool = True) -> Any:
    """Every row of a model to choose from, by what it is known by."""

    def choices() -> list[tuple[str, str]]:
        rows = model._base_manager.order_by(by)
        named = [(str(getattr(row, by)), _named(row, by)) for row in rows]
        return named if is_needed else [("", "none"), *named]

    return choices


def _named(row: models.Model, by: str) -> str:
    code, said = str(getattr(row, by)), str(row)
    return said if said.startswith(code) else f"{code} {said}"


def orders_under_way(**where: Any) -> Touched:
    """Orders that have not been handed over: each with its day and, where it has one, its plan."""
    rows = Order.objects.filter(state__in=UNDER_WAY, **where).select_related("ship_to")
    plans = {
        plan.order_id: plan
        for plan in PackPlan.objects.filter(order__in=rows, void_at__isnull=True)
    }
    return [
        ("order", f"{row.number}, ships {row.ship_on:%a %-d %b}, {_plan_words(plans.get(row.pk))}")
        for row in rows.order_by("ship_on", "number")
    ]


def _plan_words(plan: PackPlan | None) -> str:
    if plan is None:
        return "not planned yet"
    return f"planned {plan.verdict}, freight {plan.freight}"

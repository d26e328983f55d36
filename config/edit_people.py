"""The edit table of people: invited by mail, given a role, switched off. Never a password.

Call from: config/edit_subjects.py.
"""

from collections.abc import Sequence
from datetime import date, datetime
from typing import Any, ClassVar

from django.core.exceptions import ValidationError
from django.core.validators import validate_email
from django.db.models import OuterRef, Subquery

from config.edit_fields import Fault, Field, code, one_of, tick, words
from config.edit_rows import UNDER_WAY, RowSubject, choices_of
from config.editing import Edit, Touched, Values
from inventory.clock import machine_now
from inventory.log_in_links import keep_an_owner, mail_link, switch_off
from inventory.models import LogInLink, Phone
from inventory.people import RIGHTS, Role, User
from orders.models import Customer, Order, Seat


def _roles() -> Sequence[tuple[str, str]]:
    return list(Role.choices)


def _address(text: str) -> str:
    kept = text.strip().lower()
    try:
        validate_email(kept)
    except ValidationError:
        raise Fault(f"“{kept[:40]}” is no address. Type it as name@shop.example.") from None
    return kept


def acts_of(role: str) -> list[str]:
    """What a role may do, in words."""
    return sorted(act.replace("_", " ") for act, roles in RIGHTS.items() if role in roles)


class People(RowSubject):
    key = "people"
    title = "People"
    one = "person"
    intro = "Who logs in and what each may do. A new person sets a password by a link in a letter."
    columns: ClassVar[tuple[str, ...]] = ("role", "address", "orders for", "")
    right = "edit_people"
    model = User
    links: ClassVar[Any] = {}
    table: ClassVar[tuple[Field, ...]] = (
        Field("code", "Code", code(12), "", "stands on sheets and in the record; never changed",
              is_for_new=True),
        Field("name", "Name", words(80, is_needed=True)),
        Field("email", "Mail address", _address, "", "the letter with the link goes there"),
        Field("role", "Role", one_of(_roles), "", "", "choice", _roles),
        Field("customer", "Orders for", one_of(choices_of(Customer, "code", is_needed=False)), "",
              "buyers only", "choice", choices_of(Customer, "code", is_needed=False)),
        Field("is_active", "May log in", tick, "", "", "tick"),
    )  # fmt: skip
    begins_with: ClassVar[Values] = {"role": "buyer", "is_active": True}

    def words(self, row: User) -> str:
        return f"{row.code} {row.name}"

    def all(self) -> Any:
        seats = Seat.objects.filter(user=OuterRef("pk")).values("customer__code")
        found = User.objects.annotate(orders_for=Subquery(seats[:1]))
        return found.order_by("-is_active", "role", "code")

    def right_for(self, row: User | None) -> str:
        return "edit_owners" if row is not None and row.role == Role.OWNER else self.right

    def cells(self, row: User, *, on: date) -> tuple[str, ...]:
        state = "" if row.is_active else "switched off"
        if row.is_active and not row.has_usable_password():
            state = "invited, no password yet"
        return (row.get_role_display(), row.email, row.orders_for or "", state)  # type: ignore[attr-defined]

    def value(self, row: User, name: str) -> Any:
        if name != "customer":
            return super().value(row, name)
        seat = Seat.objects.select_related("customer").filter(user=row).first()
        return seat.customer.code if seat else ""

    def faults(self, row: User | None, values: Values) -> dict[str, str]:
        is_buyer = values["role"] == Role.BUYER
        if is_buyer and not values["customer"]:
            return {"customer": "A buyer orders for a customer. Choose one."}
        if not is_buyer and values["customer"]:
            return {"customer": "Only a buyer orders for a customer. Choose none."}
        others = User.objects.exclude(pk=row.pk) if row is not None else User.objects
        if others.filter(email=values["email"]).exists():
            return {"email": "Another person has that address. Type one of this person's own."}
        if row is None and not values["is_active"]:
            return {"is_active": "A person who may not log in cannot be invited. Tick it."}
        return {}

    def put(self, row: User, name: str, value: Any, edit: Edit) -> None:
        if name == "customer" or (name == "is_active" and row.pk is not None and not value):
            return
        setattr(row, name, value)

    def save(self, row: User, edit: Edit) -> None:
        if edit.after["role"] == Role.OWNER or edit.before.get("role") == Role.OWNER:
            edit.user.must("edit_owners")
        was_owner = edit.before.get("role") == Role.OWNER
        if was_owner and (edit.after["role"] != Role.OWNER or not edit.after["is_active"]):
            keep_an_owner(row)
        if row.pk is None:
            row.set_unusable_password()
        super().save(row, edit)

    def note_fields(self, row: User, edit: Edit) -> list[Field]:
        # Switching off keeps its own row of the record.
        is_off = bool(edit.before) and not edit.after["is_active"]
        fields = super().note_fields(row, edit)
        return [field for field in fields if not (is_off and field.name == "is_active")]

    def written(self, row: User, edit: Edit) -> None:
        if edit.differs("customer"):
            Seat.objects.filter(user=row).delete()
            if edit.after["customer"]:
                customer = Customer.objects.get(code=edit.after["customer"])
                Seat.objects.create(user=row, customer=customer)
        if edit.before and edit.before["is_active"] and not edit.after["is_active"]:
            switch_off(user=row, by=edit.user, reason=edit.reason, at=edit.now, now=machine_now())
        elif not edit.before or edit.differs("email"):
            kind = LogInLink.Kind.RESET if row.has_usable_password() else LogInLink.Kind.INVITE
            mail_link(user=row, kind=kind, by=edit.user, now=machine_now(), at=edit.now)

    def touched(
        self, row: User | None, *, after: Values, starts_on: date, now: datetime
    ) -> Touched:
        found: Touched = []
        if row is None:
            found.append(("letter", f"to {after['email']}, with a link that sets a password once"))
        elif after["email"] != row.email and after["is_active"]:
            found.append(("letter", f"a new link to {after['email']}; open links of the old end"))
        found += _role_words(row.role if row is not None else "", after["role"])
        if row is not None and row.is_active and not after["is_active"]:
            found += _what_ends(row)
        return found


def _role_words(was: str, now: str) -> Touched:
    """What a person may do more and less than before."""
    before, after = set(acts_of(was)), set(acts_of(now))
    gains, loses = sorted(after - before), sorted(before - after)
    found: Touched = []
    if gains:
        found.append(("may", ", ".join(gains)))
    if loses:
        found.append(("no more", ", ".join(loses)))
    if not was and not gains:
        found.append(("may", "see its own list, baskets and orders, and send orders"))
    return found


def _what_ends(row: User) -> Touched:
    phones = Phone.objects.filter(user=row, revoked_at=None)
    links = LogInLink.objects.filter(user=row, used_at=None, void_at=None).count()
    orders = Order.objects.filter(placed_by=row, state__in=UNDER_WAY).order_by("number")
    return [
        ("log-in", "ends at once, open pages too"),
        *(("phone", f"{phone.name} is taken off the list") for phone in phones),
        *((("link", f"{links} open in letters, no longer good"),) if links else ()),
        *(("order", f"{order.number} stands as it is") for order in orders),
    ]

"""The edit table of settings: a rule's number from a day on, and which rule and pages read it.

Call from: config/edit_subjects.py.
"""

from collections.abc import Sequence
from datetime import date, datetime
from typing import Any, ClassVar

from django.db.models import Q

from config.edit_fields import Fault, Field, one_of, words
from config.editing import Edit, RowWords, Subject, Touched, Values
from config.setting_rules import SettingRule, rule_of
from inventory.errors import Unknown
from inventory.models import Setting, Strain, StrainClass
from inventory.people import User
from inventory.setting_changes import right_of, set_setting
from orders.pricing import lists_that_read_prices


def _confidences() -> Sequence[tuple[str, str]]:
    return (("H", "high"), ("M", "middling"), ("L", "low: a guess to be learned"))


class Settings(Subject):
    key = "settings"
    title = "Settings"
    one = "setting"
    intro = "Every number a rule uses. The nearest counts: strain, then class, then whole farm."
    columns: ClassVar[tuple[str, ...]] = ("value", "since", "whose")
    right = "set_office_numbers"
    has_start = True
    keeps_days = True
    can_add = True

    def may_open(self, user: User) -> bool:
        return user.may("open_edit_pages")

    def must_open(self, user: User) -> None:
        user.must("open_edit_pages")

    def fields(self, row: Setting | None) -> Sequence[Field]:
        if row is None:
            return (
                Field("name", "Setting", one_of(_names), "", "one that is here", "choice", _names),
                Field("scope", "For the class or strain", words(4, is_needed=True), "",
                      "a class such as SPS, or a strain's key: it goes before the farm's own"),
                Field("value", "Value", words(60, is_needed=True)),
                Field("confidence", "How sure", one_of(_confidences), "", "", "choice",
                      _confidences),
            )  # fmt: skip
        rule = _rule(row)
        return (
            Field("value", row.name.replace("_", " "), rule.parse, unit=row.unit, hint=rule.rule),
            Field("confidence", "How sure", one_of(_confidences), "", "", "choice", _confidences),
        )

    def rows(self, *, on: date) -> Sequence[RowWords]:
        newest: dict[tuple[str, str, str], Setting] = {}
        for row in Setting.objects.filter(set_on__lte=on).order_by("set_on", "id"):
            newest[row.name, row.scope_kind, row.scope] = row
        found = [
            RowWords(
                key=_key(row),
                name=" ".join(filter(None, (row.name.replace("_", " "), row.scope))),
                cells=(f"{row.value} {row.unit}".strip(), f"{row.set_on}", row.owner),
                group=rule.rule,
            )
            for row in newest.values()
            for rule in [_rule(row)]
        ]
        return sorted(found, key=lambda row: (row.group, row.name))

    def find(self, key: str) -> Setting:
        name, _, rest = key.partition(":")
        scope_kind, _, scope = rest.partition(":")
        rows = Setting.objects.filter(name=name, scope_kind=scope_kind or "farm", scope=scope)
        row = rows.order_by("set_on", "id").last()
        if row is None:
            raise Unknown(kind="setting", name=key[:60])
        return row

    def key_of(self, row: Setting) -> str:
        return _key(row)

    def name_of(self, row: Setting) -> str:
        return " ".join(filter(None, (row.name, row.scope)))

    def heading(self, row: Setting) -> str:
        return self.name_of(row).replace("_", " ")

    def right_for(self, row: Setting | None) -> str:
        # Whose number a new one is shows by its name: set_setting asks again.
        return right_of(row) if row is not None else "open_edit_pages"

    def values(self, row: Setting | None, *, on: date) -> Values:
        if row is None:
            return {"confidence": "L"}
        same = _same(row).filter(set_on__lte=on).order_by("set_on", "id").last() or row
        return {"value": _value(same), "confidence": same.confidence}

    def faults(self, row: Setting | None, values: Values) -> dict[str, str]:
        if row is None:
            return _new_faults(values)
        other = _PAIRS.get(row.name)
        if other is None:
            return {}
        name, is_least = other
        rows = Setting.objects.filter(name=name, scope_kind=row.scope_kind, scope=row.scope)
        last = rows.order_by("set_on", "id").last()
        if last is None or (values["value"] <= _value(last)) == is_least:
            return {}
        side = "at most" if is_least else "at least"
        return {"value": f"{name.replace('_', ' ')} is {last.value}: type {side} that."}

    def touched(self, row: Setting, *, after: Values, starts_on: date, now: datetime) -> Touched:
        if row is None:
            row = _override(after)
        rule = _rule(row)
        found: Touched = [("rule", rule.rule), ("read by", rule.pages)]
        if row.name.startswith("tier_") and rule.moves_lists:
            found += lists_that_read_prices(starts_on=starts_on)
        nearer = Setting.objects.filter(name=row.name).exclude(
            scope_kind=row.scope_kind, scope=row.scope
        )
        if row.scope_kind == "farm" and nearer.exists():
            scopes = sorted(set(nearer.values_list("scope", flat=True)))
            found.append(("not touched", f"{', '.join(scopes)} have a value of their own"))
        return found

    def lists_move(self, row: Setting | None) -> bool:
        return row is None or _rule(row).moves_lists

    def plans_moved(self, row: Setting | None, *, after: Values) -> Q | None:
        rule = _rule(row if row is not None else _override(after))
        return Q() if rule.moves_plans else None

    def write(self, row: Setting | None, edit: Edit) -> Setting:
        return set_setting(
            setting=row if row is not None else _override(edit.after),
            value=f"{edit.after['value']}",
            confidence=edit.after["confidence"],
            starts_on=edit.starts_on,
            reason=edit.reason,
            user=edit.user,
            now=edit.now,
        )

    def dated(self, row: Setting) -> Sequence[tuple[date, str]]:
        rows = _same(row).order_by("-set_on", "-id")
        return [(kept.set_on, f"{kept.value} {kept.unit}".strip()) for kept in rows]


# Lower and upper numbers that may not cross: (the other, whether this one is the lower).
_PAIRS = {
    "caution_low_c": ("caution_high_c", True),
    "caution_high_c": ("caution_low_c", False),
    "stop_low_c": ("caution_low_c", True),
    "stop_high_c": ("caution_high_c", False),
    "rest_below": ("return_from", True),
    "return_from": ("rest_below", False),
    "bag_good_h": ("bag_warn_h", True),
    "bag_warn_h": ("bag_stop_h", True),
    "least_growth_factor": ("most_growth_factor", True),
    "most_growth_factor": ("least_growth_factor", False),
}


def _names() -> Sequence[tuple[str, str]]:
    # Those that are given to a class or a strain already: the rules of the others never ask whose.
    rows = Setting.objects.exclude(scope_kind="farm").order_by("name")
    names = rows.values_list("name", flat=True).distinct()
    return [(name, name.replace("_", " ")) for name in names]


def _scope_kind(scope: str) -> str:
    """Whether a scope is a class or a strain; empty where it is neither."""
    if StrainClass.objects.filter(code=scope).exists():
        return "class"
    return "strain" if Strain.objects.filter(key=scope).exists() else ""


def _new_faults(values: Values) -> dict[str, str]:
    scope = values["scope"].upper()
    kind = _scope_kind(scope)
    if not kind:
        return {"scope": f"“{scope}” is no class and no strain. Type one such as SPS or PLT."}
    if not Setting.objects.filter(name=values["name"], scope_kind=kind).exists():
        asked = "classes" if kind == "strain" else "strains"
        return {"scope": f"Its rule asks for {asked} and not for {scope}. Type one of those."}
    if Setting.objects.filter(name=values["name"], scope_kind=kind, scope=scope).exists():
        return {"scope": f"{scope} has a value of its own. Open it from the list."}
    try:
        _rule(_override(values)).parse(values["value"])
    except Fault as fault:
        return {"value": str(fault)}
    return {}


def _override(values: Values) -> Setting:
    """A nearer row for a class or a strain, with the unit and the owner of its name. Not saved."""
    known = Setting.objects.filter(name=values["name"]).order_by("set_on", "id").last()
    scope = values["scope"].upper()
    return Setting(
        name=values["name"],
        scope_kind=_scope_kind(scope),
        scope=scope,
        value=known.value if known else "",
        unit=known.unit if known else "",
        owner=known.owner if known else "",
    )


def _rule(row: Setting) -> SettingRule:
    return rule_of(row.name, reason=row.reason, value=row.value)


def _key(row: Setting) -> str:
    return f"{row.name}:{row.scope_kind}:{row.scope}" if row.scope else row.name


def _same(row: Setting) -> Any:
    return Setting.objects.filter(name=row.name, scope_kind=row.scope_kind, scope=row.scope)


def _value(row: Setting) -> Any:
    """The value as its field reads it; as it was loaded where it lies outside what is typed now."""
    try:
        return _rule(row).parse(row.value)
    except Fault:
        return row.value

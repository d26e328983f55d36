"""HOP 2h plugs: back from the water, washed, bleached and dried, bought -> PlugLot, MountAct.

Call from: config/mounts_page.py, config/scene_acts.py, inventory/cutting.py.
Locks: plug lots by their rows, lowest key first.
"""

from dataclasses import dataclass
from datetime import date, datetime

from django.db import transaction
from django.db.models import Q
from django.utils import timezone

from inventory.errors import FarmError, ForbiddenMove, ReasonMissing, Unknown
from inventory.models import Hold, MountAct, PlugLot, WaterSystem
from inventory.mounts import believe, note_act
from inventory.people import User

PlugState, What = PlugLot.State, MountAct.What


class PlugsMissing(FarmError):
    code = "plugs_missing"
    title = "Not that many clean plugs"
    message = "{wanted} plugs are wanted, {there} are clean. Wash the returned ones or cut fewer."


class PlugsNotThere(FarmError):
    code = "plugs_not_there"
    title = "Not that many plugs lie there"
    message = "{wanted} plugs are named, {there} lie there {state}. Count them and type again."


class PlugsFromHeldWater(FarmError):
    code = "plugs_from_held_water"
    title = "Those plugs come from held water"
    message = (
        "System {system} is under hold {hold}: its plugs are not only washed. Bleach and dry them, "
        "and have a lead sign that."
    )


class BleachNotSigned(FarmError):
    code = "bleach_not_signed"
    status = 422
    title = "Bleached and dried first"
    message = (
        "Plugs of held water go back to use only once they are bleached and dried: tick both. "
        "Nothing was released."
    )


@transaction.atomic
def take_in_plugs(
    *, pieces: int, system_code: str, user: User, at: datetime, kind: str = "plug"
) -> PlugLot:
    """Plugs come back from a water system; those of held water are blocked until signed for.

    Raises NotAllowed, Unknown, MountsUnbelievable.
    """
    user.must("record_cut")
    believe(pieces, "plugs")
    system = WaterSystem.objects.filter(code=system_code).first()
    if system is None:
        raise Unknown(kind="water system", name=system_code or "(none)")
    state = PlugState.BLOCKED if open_hold_of(system=system) else PlugState.RETURNED
    lot = _add_plugs(kind, state, system, pieces, None)
    note_act(What.RETURN, lot, pieces, timezone.localdate(at), user, at, f"system {system.code}")
    return lot


@transaction.atomic
def buy_plugs(*, pieces: int, user: User, at: datetime, kind: str = "plug") -> PlugLot:
    """New plugs that were never in the water. Raises NotAllowed, MountsUnbelievable."""
    user.must("record_cut")
    believe(pieces, "plugs")
    lot = _add_plugs(kind, PlugState.CLEAN, None, pieces, None)
    note_act(What.BUY, lot, pieces, timezone.localdate(at), user, at)
    return lot


@transaction.atomic
def wash_plugs(*, lot_id: int, pieces: int, user: User, at: datetime) -> PlugLot:
    """Returned plugs are washed and clean; returns the heap on which they lie now.

    Raises NotAllowed, Unknown, ForbiddenMove, PlugsNotThere, PlugsFromHeldWater.
    """
    user.must("record_cut")
    lot = _locked_plugs(lot_id)
    if lot.state == PlugState.CLEAN:
        _refuse_plugs(lot, "washed", "they are clean already")
    hold = open_hold_of(system=lot.source_system)
    if lot.state == PlugState.BLOCKED:
        _refuse_plugs(lot, "washed only", "a lead signs that they are bleached and dried")
    if hold is not None:
        assert lot.source_system is not None
        raise PlugsFromHeldWater(system=lot.source_system.code, hold=hold.code)
    return _clean(lot, pieces, What.WASH, user, at, "")


@transaction.atomic
def disinfect_plugs(
    *,
    lot_id: int,
    pieces: int,
    is_bleached: bool,
    is_dried: bool,
    user: User,
    at: datetime,
) -> PlugLot:
    """Sign that plugs of held water are bleached and dried: they are clean from now on.

    Raises NotAllowed, Unknown, ForbiddenMove, PlugsNotThere, BleachNotSigned.
    """
    user.must("release_mounts")
    lot = _locked_plugs(lot_id)
    if lot.state == PlugState.CLEAN:
        _refuse_plugs(lot, "released", "they are clean already")
    if not (is_bleached and is_dried):
        raise BleachNotSigned()
    return _clean(lot, pieces, What.DISINFECT, user, at, "bleached and dried")


@transaction.atomic
def scrap_plugs(*, lot_id: int, pieces: int, reason: str, user: User, at: datetime) -> PlugLot:
    """Throw plugs away. Raises NotAllowed, Unknown, PlugsNotThere, ReasonMissing."""
    user.must("record_cut")
    lot = _locked_plugs(lot_id)
    if not reason.strip():
        raise ReasonMissing(what="throwing plugs away")
    _take_from(lot, pieces)
    note_act(What.SCRAP, lot, pieces, timezone.localdate(at), user, at, reason)
    return lot


def open_hold_of(*, system: WaterSystem | None) -> Hold | None:
    """The oldest open hold on a system or on a trough or tray of it."""
    if system is None:
        return None
    places = Q(system=system) | Q(trough__system=system) | Q(tray__trough__system=system)
    return Hold.objects.filter(places, state__in=Hold.OPEN).order_by("raised_at").first()


def _locked_plugs(lot_id: int) -> PlugLot:
    rows = PlugLot.objects.select_for_update(of=("self",)).select_related("source_system")
    lot = rows.filter(pk=lot_id).first()
    if lot is None:
        raise Unknown(kind="heap of plugs", name=str(lot_id))
    return lot


def _refuse_plugs(lot: PlugLot, wanted: str, why: str) -> None:
    raise ForbiddenMove(
        kind="Heap", name=lot.kind, state=lot.get_state_display(), wanted=wanted, why=why
    )


def _take_from(lot: PlugLot, pieces: int) -> None:
    if not 1 <= pieces <= lot.count:
        raise PlugsNotThere(wanted=pieces, there=lot.count, state=lot.get_state_display())
    lot.count -= pieces
    lot.save(update_fields=["count"])


def _clean(lot: PlugLot, pieces: int, what: str, user: User, at: datetime, note: str) -> PlugLot:
    on = timezone.localdate(at)
    _take_from(lot, pieces)
    note_act(what, lot, pieces, on, user, at, note)
    return _add_plugs(lot.kind, PlugState.CLEAN, lot.source_system, pieces, on)


def _add_plugs(
    kind: str, state: str, system: WaterSystem | None, pieces: int, cleaned_on: date | None
) -> PlugLot:
    rows = PlugLot.objects.select_for_update().order_by("pk")
    lot = rows.filter(kind=kind, state=state, source_system=system, cleaned_on=cleaned_on).first()
    if lot is None:
        lot = PlugLot(kind=kind, count=0, state=state, source_system=system, cleaned_on=cleaned_on)
    lot.count += pieces
    lot.save()
    return lot


def take_plugs(*, pieces: int) -> None:
    """Use up clean plugs, those that were cleaned first. A farm that keeps no book of its plugs
    is not held up. Raises PlugsMissing.
    """
    if not PlugLot.objects.exists():
        return
    rows = list(PlugLot.objects.select_for_update().filter(state=PlugState.CLEAN).order_by("pk"))
    there = sum(row.count for row in rows)
    if there < pieces:
        raise PlugsMissing(wanted=pieces, there=there)
    for row in sorted(rows, key=lambda row: (row.cleaned_on or date.max, row.pk)):
        taken = min(row.count, pieces)
        pieces -= taken
        row.count -= taken
        row.save(update_fields=["count"])


@dataclass(frozen=True, slots=True)
class PlugNeed:
    """Plugs that the cuts of some weeks want against what lies there. [plugs]"""

    wanted: int
    clean: int
    unwashed: int
    blocked: int

    @property
    def to_wash(self) -> int:
        return min(self.unwashed, max(0, self.wanted - self.clean))

    @property
    def to_buy(self) -> int:
        return max(0, self.wanted - self.clean - self.unwashed)


def plug_need(*, wanted: int) -> PlugNeed:
    """What lies there of plugs, by what must be done first. Blocked ones are not counted on."""
    sums = dict.fromkeys(PlugState.values, 0)
    for state, count in PlugLot.objects.values_list("state", "count"):
        sums[state] = sums.get(state, 0) + count
    return PlugNeed(
        wanted, sums[PlugState.CLEAN], sums[PlugState.RETURNED], sums[PlugState.BLOCKED]
    )

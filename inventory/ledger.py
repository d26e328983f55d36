"""HOP 2 stock: moves, opening counts, grades -> Movement, Balance, StockTotal.

Call from: inventory/walking.py, inventory/loading.py, shipping/keying.py, shipping/bagging.py.
Locks: strain-forms, lowest key first (lock_strain_forms).
"""

from collections.abc import Iterable
from datetime import date, datetime

from django.db import connection, transaction
from django.db.models import F, Sum
from django.utils import timezone

from inventory.errors import FarmError, ForbiddenMove
from inventory.models import (
    Balance,
    Lot,
    LotRelease,
    Movement,
    Place,
    StockTotal,
    StrainForm,
    Tray,
    Trough,
)
from inventory.people import User

STANDINGS = {"ready", "growing", "kept"}


class NotEnoughInTray(FarmError):
    code = "not_enough_in_tray"
    title = "Not that many stand there"
    message = "Tray {tray} holds {there} pieces, {asked} were asked for. Recount it or take fewer."


class TwoLotsInTray(FarmError):
    code = "two_lots_in_tray"
    title = "One lot a tray"
    message = "Tray {tray} already holds {there} of lot {lot}. Empty it first or use another tray."


class AboveTrayPositions(FarmError):
    code = "above_tray_positions"
    title = "More pieces than places"
    message = "Tray {tray} has {positions} positions, {pieces} pieces do not fit. Count it again."


class StillInQuarantine(FarmError):
    code = "still_in_quarantine"
    title = "Not released from quarantine"
    message = (
        "Lot {lot} stands in quarantine system {system}. The lead releases it first, with a "
        "reason; then it may move to tray {tray}."
    )


class OtherMoveUnderKey(FarmError):
    code = "client_key_reused"
    title = "That key was used for another move"
    message = "The key {key} belongs to another move. Send this one with a key of its own."


def lock_strain_forms(strain_form_ids: Iterable[int]) -> None:
    """Lock strain-forms until the transaction ends, lowest key first.

    One fixed order for everybody: two callers that want the same two then wait in turn instead of
    deadlocking. Read what is free in a *second* statement: PostgreSQL answers a locking SELECT
    from the snapshot taken before the wait. SQLite has no row locks: there one writer at a time
    holds the whole file, from the start of its transaction.
    """
    if not connection.features.has_select_for_update:
        return
    list(
        StrainForm.objects.select_for_update()
        .filter(pk__in=set(strain_form_ids))
        .order_by("pk")
        .values_list("pk", flat=True)
    )


def end_place(end: str) -> Place:
    """The named end, made on first use."""
    return Place.objects.get_or_create(code=end)[0]


def tray_place(tray: Tray) -> Place:
    """The place of a tray, made on first use."""
    return Place.objects.get_or_create(tray=tray, defaults={"code": tray.code})[0]


@transaction.atomic
def move_pieces(
    *,
    lot: Lot,
    from_place: Place,
    to_place: Place,
    pieces: int,
    reason: str,
    at: datetime,
    user: User | None = None,
    client_key: str | None = None,
    device: str = "",
    note: str = "",
) -> Movement:
    """Write one row to the ledger and carry both sums along.

    A client key makes the event land once: the second call returns the first row. Raises
    NotEnoughInTray, TwoLotsInTray, AboveTrayPositions, OtherMoveUnderKey.
    """
    lock_strain_forms([lot.strain_form_id])
    if client_key and (known := Movement.objects.filter(client_key=client_key).first()):
        same = (known.lot_id, known.from_place_id, known.to_place_id, known.pieces)
        if same != (lot.pk, from_place.pk, to_place.pk, pieces):
            raise OtherMoveUnderKey(key=client_key)
        return known
    if from_place.tray is not None and to_place.tray is not None:
        refuse_quarantined(lot=lot, from_tray=from_place.tray, to_tray=to_place.tray)
    movement = Movement.objects.create(
        at=at,
        lot=lot,
        from_place=from_place,
        to_place=to_place,
        pieces=pieces,
        reason=reason,
        user=user,
        client_key=client_key,
        device=device,
        note=note,
    )
    if from_place.tray is not None:
        _take_from_tray(from_place.tray, lot, pieces)
    if to_place.tray is not None:
        _put_in_tray(to_place.tray, lot, pieces, timezone.localdate(at))
    return movement


def refuse_quarantined(*, lot: Lot, from_tray: Tray, to_tray: Tray) -> None:
    """What came from elsewhere reaches the farm's own water only when a person has let it.

    For callers whose pieces change their lot on the way, which no single move shows. Raises
    StillInQuarantine.
    """
    left, reached = from_tray.trough.system, to_tray.trough.system
    if not left.is_quarantine or reached.is_quarantine:
        return
    if not LotRelease.objects.filter(lot=lot).exists():
        raise StillInQuarantine(lot=lot.code, system=left.code, tray=to_tray.code)


def _take_from_tray(tray: Tray, lot: Lot, pieces: int) -> None:
    # A guarded update beside the lock: the second fence against taking what is not there.
    taken = Balance.objects.filter(tray=tray, lot=lot, pieces__gte=pieces).update(
        pieces=F("pieces") - pieces
    )
    if taken != 1:
        there = Balance.objects.filter(tray=tray, lot=lot).values_list("pieces", flat=True).first()
        raise NotEnoughInTray(tray=tray.code, there=there or 0, asked=pieces)
    _add_to_total(lot, tray, -pieces)


def _put_in_tray(tray: Tray, lot: Lot, pieces: int, on: date) -> None:
    balance = Balance.objects.filter(tray=tray).select_related("lot").first()
    if balance is None:
        balance = Balance(tray=tray, lot=lot, strain_form_id=lot.strain_form_id, pieces=0)
        balance.counted_on = on
    if balance.lot_id != lot.pk:
        if balance.pieces:
            raise TwoLotsInTray(tray=tray.code, there=balance.pieces, lot=balance.lot.code)
        balance.lot, balance.strain_form_id = lot, lot.strain_form_id
        balance.counted_on, balance.is_sample = on, False
    if balance.pieces + pieces > tray.positions:
        raise AboveTrayPositions(
            tray=tray.code, positions=tray.positions, pieces=balance.pieces + pieces
        )
    balance.pieces += pieces
    balance.save()
    _add_to_total(lot, tray, pieces)


def _add_to_total(lot: Lot, tray: Tray, pieces: int) -> None:
    if lot.state not in STANDINGS:
        return
    row, _ = StockTotal.objects.get_or_create(
        strain_form_id=lot.strain_form_id,
        system_id=tray.trough.system_id,
        standing=lot.state,
    )
    StockTotal.objects.filter(pk=row.pk).update(pieces=F("pieces") + pieces)


@transaction.atomic
def place_tray(*, tray: Tray, trough: Trough, slot: int) -> None:
    """Put a whole tray into a slot; its pieces change their water system in the roll-up with it."""
    balance = Balance.objects.select_related("lot").filter(tray=tray, pieces__gt=0).first()
    if balance is not None:
        lock_strain_forms([balance.strain_form_id])
        balance.refresh_from_db(fields=["pieces"])
        _add_to_total(balance.lot, tray, -balance.pieces)
    tray.trough, tray.slot = trough, slot
    tray.save(update_fields=["trough", "slot"])
    if balance is not None:
        _add_to_total(balance.lot, tray, balance.pieces)


@transaction.atomic
def change_lot_state(
    *, lot_id: int, state: str, why: str = "that is not a move a lot makes"
) -> Lot:
    """Move a lot to another state; its pieces change their standing in the roll-up with it.

    Raises ForbiddenMove for a move a lot does not have.
    """
    lock_strain_forms([Lot.objects.values_list("strain_form_id", flat=True).get(pk=lot_id)])
    lot = Lot.objects.get(pk=lot_id)
    if state not in Lot.MOVES[lot.state]:
        raise ForbiddenMove(kind="Lot", name=lot.code, state=lot.state, wanted=state, why=why)
    standing = list(Balance.objects.filter(lot=lot, pieces__gt=0).select_related("tray__trough"))
    for balance in standing:
        _add_to_total(lot, balance.tray, -balance.pieces)
    lot.state = state
    lot.save(update_fields=["state"])
    for balance in standing:
        _add_to_total(lot, balance.tray, balance.pieces)
    return lot


def verify_ledger() -> list[str]:
    """Every way in which ledger, balances and roll-up disagree, a sentence each."""
    return [*_balances_off(), *_totals_off(), *_ends_below_zero()]


def _ledger_sums() -> dict[tuple[int, int], int]:
    """Pieces by (place, lot), straight from the ledger."""
    sums: dict[tuple[int, int], int] = {}
    arrived = Movement.objects.values_list("to_place", "lot").annotate(total=Sum("pieces"))
    left = Movement.objects.values_list("from_place", "lot").annotate(total=Sum("pieces"))
    for place, lot, total in arrived:
        sums[place, lot] = sums.get((place, lot), 0) + total
    for place, lot, total in left:
        sums[place, lot] = sums.get((place, lot), 0) - total
    return sums


# Each side is summed along its own index before the two are put together: the whole ledger is
# read once, and what is sorted is a row for each tray and lot.
TRAY_SUMS = """
SELECT place.tray_id, side.lot_id, SUM(side.pieces)
FROM (
    SELECT to_place_id AS place_id, lot_id, SUM(pieces) AS pieces
    FROM inventory_movement GROUP BY to_place_id, lot_id
    UNION ALL
    SELECT from_place_id, lot_id, -SUM(pieces)
    FROM inventory_movement GROUP BY from_place_id, lot_id
) AS side
JOIN inventory_place AS place ON place.id = side.place_id
WHERE place.tray_id IS NOT NULL
GROUP BY place.tray_id, side.lot_id
HAVING SUM(side.pieces) <> 0
"""


def _tray_sums() -> dict[tuple[int, int], int]:
    """Pieces by (tray, lot), straight from the ledger, in one statement."""
    with connection.cursor() as cursor:
        cursor.execute(TRAY_SUMS)
        return {(tray, lot): int(total) for tray, lot, total in cursor.fetchall()}


def _balances_off() -> list[str]:
    kept = {
        (tray, lot): pieces
        for tray, lot, pieces in Balance.objects.values_list("tray_id", "lot_id", "pieces")
        if pieces
    }
    proved = _tray_sums()
    codes = dict(Tray.objects.values_list("pk", "code"))
    return [
        f"Tray {codes[key[0]]}: the ledger says {proved.get(key, 0)}, "
        f"the balance says {kept.get(key, 0)}."
        for key in sorted(proved.keys() | kept.keys())
        if proved.get(key, 0) != kept.get(key, 0)
    ]


def _totals_from(sums: dict[tuple[int, int], int]) -> dict[tuple[int, int, str], int]:
    systems = dict(Tray.objects.values_list("pk", "trough__system_id"))
    lots = {
        pk: (strain_form, state)
        for pk, strain_form, state in Lot.objects.values_list("pk", "strain_form_id", "state")
    }
    totals: dict[tuple[int, int, str], int] = {}
    for (tray, lot), pieces in sums.items():
        strain_form, state = lots[lot]
        if state in STANDINGS:
            key = (strain_form, systems[tray], state)
            totals[key] = totals.get(key, 0) + pieces
    return totals


def _totals_off() -> list[str]:
    proved = _totals_from(_tray_sums())
    kept = {
        (strain_form, system, standing): pieces
        for strain_form, system, standing, pieces in StockTotal.objects.values_list(
            "strain_form_id", "system_id", "standing", "pieces"
        )
        if pieces
    }
    return [
        f"Strain-form {key[0]} in system {key[1]}, {key[2]}: the ledger says "
        f"{proved.get(key, 0)}, the roll-up says {kept.get(key, 0)}."
        for key in sorted(proved.keys() | kept.keys())
        if proved.get(key, 0) != kept.get(key, 0)
    ]


def _ends_below_zero() -> list[str]:
    """More left the bench than came to it: something was handed over that was never picked."""
    bench = end_place(Place.End.BENCH)
    came = Movement.objects.filter(to_place=bench).values_list("lot").annotate(Sum("pieces"))
    left = Movement.objects.filter(from_place=bench).values_list("lot").annotate(Sum("pieces"))
    there = dict(came)
    missing = {lot: pieces - there.get(lot, 0) for lot, pieces in left}
    codes = dict(Lot.objects.filter(pk__in=missing).values_list("pk", "code"))
    return [
        f"Lot {codes[lot]}: {pieces} more pieces left the bench than came to it."
        for lot, pieces in missing.items()
        if pieces > 0
    ]


@transaction.atomic
def rebuild_balances() -> tuple[int, int]:
    """Write balances and roll-up again from the ledger. Returns how many rows of each changed."""
    lock_strain_forms(StrainForm.objects.values_list("pk", flat=True))
    sums = _tray_sums()
    by_tray = {tray: (lot, pieces) for (tray, lot), pieces in sums.items()}
    changed = 0
    for pk, tray, lot_now, pieces_now in Balance.objects.values_list(
        "pk", "tray_id", "lot_id", "pieces"
    ):
        lot, pieces = by_tray.pop(tray, (lot_now, 0))
        if (lot_now, pieces_now) != (lot, pieces):
            strain_form = Lot.objects.values_list("strain_form_id", flat=True).get(pk=lot)
            Balance.objects.filter(pk=pk).update(
                lot_id=lot, pieces=pieces, strain_form_id=strain_form
            )
            changed += 1
    for tray, (lot, pieces) in by_tray.items():
        _restore_balance(tray, lot, pieces)
        changed += 1
    return changed, _restore_totals(_totals_from(sums))


def _restore_balance(tray_id: int, lot_id: int, pieces: int) -> None:
    newest = Movement.objects.filter(to_place__tray_id=tray_id, lot_id=lot_id).order_by("-at")
    Balance.objects.create(
        tray_id=tray_id,
        lot_id=lot_id,
        strain_form_id=Lot.objects.values_list("strain_form_id", flat=True).get(pk=lot_id),
        pieces=pieces,
        counted_on=timezone.localdate(newest.values_list("at", flat=True)[0]),
    )


def _restore_totals(proved: dict[tuple[int, int, str], int]) -> int:
    changed = 0
    for row in StockTotal.objects.all():
        pieces = proved.pop((row.strain_form_id, row.system_id, row.standing), 0)
        if row.pieces != pieces:
            StockTotal.objects.filter(pk=row.pk).update(pieces=pieces)
            changed += 1
    for (strain_form, system, standing), pieces in proved.items():
        StockTotal.objects.create(
            strain_form_id=strain_form, system_id=system, standing=standing, pieces=pieces
        )
        changed += 1
    return changed

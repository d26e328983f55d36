"""HOP 2b many moves: differences of many trays -> Movement, Balance, StockTotal, table by table.

Call from: inventory/counting.py.
The ledger's second door, beside `ledger.move_pieces`: same rows, same sums, a few statements for
a whole walk. Whoever comes through it holds the strain-forms' locks already.
"""

from collections.abc import Mapping, Sequence
from dataclasses import dataclass, field
from datetime import date, datetime

from django.db import connection

from inventory.bulk import (
    among,
    day_value,
    ids_by_key,
    insert_rows,
    many_value,
    rows_of,
    time_value,
    update_rows,
)
from inventory.errors import FarmError
from inventory.models import Balance, Movement, Place, StockTotal, Tray


class TrayChangedMeanwhile(FarmError):
    code = "tray_changed_meanwhile"
    title = "Those trays changed meanwhile"
    message = "{number} of the trays changed while this was taken. Nothing was stored; send again."


@dataclass(frozen=True, slots=True)
class TrayMove:
    """Pieces into a tray (above zero) or out of it, from or to a named end."""

    tray_id: int
    lot_id: int
    end: str
    pieces: int
    reason: str
    at: datetime
    client_key: str


@dataclass(slots=True)
class TrayMoves:
    """Moves in the order in which they took place."""

    rows: list[TrayMove] = field(default_factory=list)

    def add(
        self,
        *,
        tray_id: int,
        lot_id: int,
        end: str,
        pieces: int,
        reason: str,
        at: datetime,
        client_key: str,
    ) -> None:
        self.rows.append(TrayMove(tray_id, lot_id, end, pieces, reason, at, client_key))


@dataclass(frozen=True, slots=True)
class TrayAfter:
    """A tray's balance after the moves. ``pieces_before`` is the fence: what was read."""

    balance_id: int
    pieces_before: int
    pieces: int
    counted_on: date | None
    is_sample: bool


MOVE_COLUMNS = (
    "at", "lot_id", "from_place_id", "to_place_id", "pieces", "reason", "user_id", "device",
    "client_key", "note",
)  # fmt: skip


def write_moves(*, moves: TrayMoves, user_id: int | None) -> dict[str, int]:
    """Write rows to the ledger. Returns each row's id by its client key."""
    if not moves.rows:
        return {}
    places, ends = _places({row.tray_id for row in moves.rows}, {row.end for row in moves.rows})
    rows = []
    for row in moves.rows:
        tray, end = places[row.tray_id], ends[row.end]
        source, target = (end, tray) if row.pieces > 0 else (tray, end)
        at = time_value(row.at)
        rows.append(
            (at, row.lot_id, source, target, abs(row.pieces), str(row.reason), user_id, "",
             row.client_key, "")
        )  # fmt: skip
    insert_rows(model=Movement, columns=MOVE_COLUMNS, rows=rows)
    keys = [row.client_key for row in moves.rows]
    return ids_by_key(model=Movement, column="client_key", keys=keys)


def _places(tray_ids: set[int], named: set[str]) -> tuple[dict[int, int], dict[str, int]]:
    """The places of these trays and of these ends; those not used before are made."""
    places, ends = _places_there(tray_ids, named)
    if len(places) < len(tray_ids) or len(ends) < len(named):
        new: list[tuple[str, int | None]] = [(end, None) for end in sorted(named - ends.keys())]
        trays = Tray.objects.filter(pk__in=tray_ids - places.keys()).order_by("code")
        new += [(code, pk) for pk, code in trays.values_list("pk", "code")]
        # Another walk may make the same place in the same moment: the first of them stands.
        insert_rows(model=Place, columns=("code", "tray_id"), rows=new, skips_known=True)
        places, ends = _places_there(tray_ids, named)
    return places, ends


def _places_there(tray_ids: set[int], named: set[str]) -> tuple[dict[int, int], dict[str, int]]:
    places: dict[int, int] = {}
    ends: dict[str, int] = {}
    codes = [str(code) for code in named]
    statement = (
        f"SELECT id, code, tray_id FROM {connection.ops.quote_name(Place._meta.db_table)} "
        f"WHERE tray_id {among()} OR code {among()}"
    )
    for pk, code, tray_id in rows_of(statement, [many_value(tray_ids), many_value(codes)]):
        if tray_id is None:
            ends[code] = pk
        else:
            places[tray_id] = pk
    return places, ends


def write_balances(*, rows: Sequence[TrayAfter]) -> None:
    """Carry the balances along. Raises TrayChangedMeanwhile where one is not as it was read.

    The fence beside the lock: an update that no longer finds what was read changes nothing.
    """
    if not rows:
        return
    table = connection.ops.quote_name(Balance._meta.db_table)
    statement = (
        f"UPDATE {table} SET pieces = %s, counted_on = %s, is_sample = %s "
        "WHERE id = %s AND pieces = %s"
    )
    with connection.cursor() as cursor:
        cursor.executemany(
            statement,
            [
                (
                    row.pieces,
                    day_value(row.counted_on),
                    row.is_sample,
                    row.balance_id,
                    row.pieces_before,
                )
                for row in rows
            ],
        )
        changed = cursor.rowcount
    if changed != len(rows):
        raise TrayChangedMeanwhile(number=len(rows) - changed)


def add_to_totals(*, differences: Mapping[tuple[int, int, str], int]) -> None:
    """Carry the roll-up along: pieces by (strain-form, system, standing)."""
    wanted = {key: pieces for key, pieces in differences.items() if pieces}
    if not wanted:
        return
    forms = sorted({key[0] for key in wanted})
    table = connection.ops.quote_name(StockTotal._meta.db_table)
    statement = (
        f"SELECT id, strain_form_id, system_id, standing FROM {table} "
        f"WHERE strain_form_id {among()}"
    )
    ids = {tuple(key): pk for pk, *key in rows_of(statement, [many_value(forms)])}
    update_rows(
        statement=f"UPDATE {table} SET pieces = pieces + %s WHERE id = %s",
        rows=[(pieces, ids[key]) for key, pieces in sorted(wanted.items()) if key in ids],
    )
    for key, pieces in sorted(wanted.items()):
        if key not in ids:
            StockTotal.objects.create(
                strain_form_id=key[0], system_id=key[1], standing=key[2], pieces=pieces
            )

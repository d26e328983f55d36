"""HOP 1f counting: counts and deaths of many trays -> Count, Movement, Balance, StockTotal.

Call from: inventory/walking.py (one at a time), inventory/walk_bulk.py (a walk's batch).
Locks: the strain-forms of the trays, lowest key first; what stands there is read after that.
All rows a batch touches are read at once, the notes are weighed in memory in the order of their
looks, and what follows from them is written table by table.
"""

from collections import defaultdict
from collections.abc import Iterable
from dataclasses import dataclass, field, replace
from datetime import date, datetime, timedelta, tzinfo
from decimal import Decimal

from django.db import connection
from django.utils import timezone

from inventory import ledger
from inventory.bulk import (
    among,
    day_value,
    facts_value,
    insert_rows,
    many_value,
    read_day,
    read_time,
    rows_of,
    time_value,
)
from inventory.errors import FarmError, Unknown
from inventory.ledger import NotEnoughInTray
from inventory.models import Balance, Count, Happening, Movement, Place
from inventory.people import User
from inventory.tray_moves import TrayAfter, TrayMoves, add_to_totals, write_balances, write_moves

COUNTED_TWICE_WITHIN = timedelta(hours=2)


class CountUnbelievable(FarmError):
    code = "count_unbelievable"
    status = 422
    title = "That count cannot be"
    message = "{pieces} in tray {tray}: it has {positions} positions. Count it again."


class TrayIsEmpty(FarmError):
    code = "tray_is_empty"
    status = 422
    title = "No lot stands there"
    message = "No lot is known in tray {tray}. Move one in before it is counted."


class CountedJustNow(FarmError):
    code = "counted_just_now"
    title = "Same tray?"
    message = (
        "{tray} was counted {pieces} by {who} at {when}; this count says {now}. Is it the same "
        "tray? Then store it; if not, leave it out and count the other one."
    )


@dataclass(frozen=True, slots=True)
class Seen:
    """A count of a tray that stands already."""

    looked_at: datetime
    pieces: int
    user_id: int
    who: str
    is_waiting: bool


@dataclass(slots=True)
class TrayNow:
    """A tray as the notes so far leave it."""

    tray_id: int
    code: str
    positions: int
    system_id: int
    balance_id: int | None
    lot_id: int | None
    lot_state: str
    strain_form_id: int
    pieces: int
    counted_on: date | None
    is_sample: bool
    newest_at: datetime | None = None
    seen: list[Seen] = field(default_factory=list)
    was: int = 0
    is_recounted: bool = False
    had_waiting: bool = False

    @property
    def is_touched(self) -> bool:
        """Whether its balance is to be written: other pieces, or a fresh count of the same."""
        return self.balance_id is not None and (self.is_recounted or self.pieces != self.was)


@dataclass(slots=True)
class CountRow:
    """A count weighed and not yet written. ``moved`` is the difference that became a move."""

    client_id: str
    tray: TrayNow
    pieces: int
    pieces_before: int
    looked_at: datetime
    is_sample: bool
    sure_share: Decimal
    sent_looked_at: datetime | None
    counted_on_before: date | None
    was_sample_before: bool
    is_waiting: bool
    is_late: bool
    moved: int = 0


COUNT_COLUMNS = (
    "client_id",
    "looked_at",
    "received_at",
    "user_id",
    "phone_id",
    "keyed_by_id",
    "sent_looked_at",
    "tray_id",
    "lot_id",
    "pieces",
    "pieces_before",
    "is_sample",
    "sure_share",
    "counted_on_before",
    "was_sample_before",
    "is_waiting",
    "movement_id",
)


# Plain statements: a walk asks each of them once, and putting one together from a QuerySet takes
# as long as forty rows.
TRAYS = """
SELECT tray.id, tray.code, tray.positions, trough.system_id, balance.id, balance.lot_id, lot.state,
    balance.strain_form_id, balance.pieces, balance.counted_on, balance.is_sample
FROM inventory_tray AS tray
JOIN inventory_trough AS trough ON trough.id = tray.trough_id
LEFT JOIN inventory_balance AS balance ON balance.tray_id = tray.id
LEFT JOIN inventory_lot AS lot ON lot.id = balance.lot_id
WHERE tray.code {}
"""
STANDS = "NOT EXISTS (SELECT 1 FROM inventory_walknote AS n WHERE n.undoes_count_id = c.id)"
NEWEST = f"""
SELECT c.tray_id, MAX(c.looked_at) FROM inventory_count AS c
WHERE c.tray_id {{}} AND c.is_waiting = %s AND {STANDS}
GROUP BY c.tray_id
"""
NEAR = f"""
SELECT c.tray_id, c.looked_at, c.pieces, c.user_id, who.name, c.is_waiting
FROM inventory_count AS c JOIN inventory_user AS who ON who.id = c.user_id
WHERE c.tray_id {{}} AND (c.is_waiting = %s OR c.looked_at BETWEEN %s AND %s) AND {STANDS}
ORDER BY c.id
"""


@dataclass(slots=True)
class CountBook:
    """The trays of a batch of counts and deaths, and all that they lead to.

    Read it, weigh each note in the order of its look, then write once.
    """

    trays: dict[str, TrayNow]
    user: User
    received_at: datetime
    second_look_share: Decimal
    phone_id: int | None = None
    keyed_by_id: int | None = None
    counts: list[CountRow] = field(default_factory=list)
    moves: TrayMoves = field(default_factory=TrayMoves)
    happenings: list[tuple[str, datetime, dict[str, object]]] = field(default_factory=list)
    zone: tzinfo = field(default_factory=timezone.get_current_timezone)

    @classmethod
    def read(
        cls,
        *,
        codes: Iterable[str],
        first_at: datetime,
        last_at: datetime,
        received_at: datetime,
        user: User,
        second_look_share: Decimal,
        phone_id: int | None = None,
        keyed_by_id: int | None = None,
    ) -> "CountBook":
        """Lock the strain-forms and read the trays, their counts of these hours, those waiting."""
        wanted = sorted(set(codes))
        if connection.features.has_select_for_update:
            balances = Balance.objects.filter(tray__code__in=wanted).order_by()
            ledger.lock_strain_forms(balances.values_list("strain_form_id", flat=True))
        trays = {}
        for *row, counted_on, is_sample in rows_of(TRAYS.format(among()), [many_value(wanted)]):
            now = TrayNow(*row, counted_on=read_day(counted_on), is_sample=bool(is_sample))
            now.was = now.pieces
            trays[now.code] = now
        book = cls(trays, user, received_at, second_look_share, phone_id, keyed_by_id)
        book._read_counts(first_at - COUNTED_TWICE_WITHIN, last_at + COUNTED_TWICE_WITHIN)
        return book

    def _read_counts(self, first_at: datetime, last_at: datetime) -> None:
        by_id = {row.tray_id: row for row in self.trays.values()}
        if not by_id:
            return
        ids = many_value(by_id)
        for tray_id, at in rows_of(NEWEST.format(among()), [ids, False]):
            by_id[tray_id].newest_at = read_time(at)
        hours = [time_value(first_at), time_value(last_at)]
        for tray_id, at, pieces, user_id, who, is_waiting in rows_of(
            NEAR.format(among()), [ids, True, *hours]
        ):
            seen = Seen(read_time(at), pieces, user_id, who, bool(is_waiting))
            by_id[tray_id].seen.append(seen)
            by_id[tray_id].had_waiting |= seen.is_waiting

    def _tray(self, code: str) -> TrayNow:
        tray = self.trays.get(code)
        if tray is None:
            raise Unknown(kind="tray", name=code or "(none)")
        return tray

    def count(
        self,
        *,
        code: str,
        pieces: int,
        looked_at: datetime,
        client_id: str,
        is_sample: bool = False,
        sure_share: Decimal = Decimal(1),
        sent_looked_at: datetime | None = None,
        asks_twice: bool = False,
    ) -> CountRow:
        """Weigh one count of one tray. Its rules stand at `walking.count_tray`.

        ``asks_twice`` asks back where another count of the tray lies within two hours. Raises
        Unknown, CountUnbelievable, TrayIsEmpty, CountedJustNow.
        """
        tray = self._tray(code)
        if asks_twice:
            self._refuse_second(tray, pieces, looked_at)
        if not 0 <= pieces <= tray.positions:
            raise CountUnbelievable(pieces=pieces, tray=tray.code, positions=tray.positions)
        if tray.balance_id is None:
            raise TrayIsEmpty(tray=tray.code)
        is_late = tray.newest_at is not None and looked_at < tray.newest_at
        row = CountRow(
            client_id=client_id,
            tray=tray,
            pieces=pieces,
            pieces_before=tray.pieces,
            looked_at=looked_at,
            is_sample=is_sample,
            sure_share=sure_share,
            sent_looked_at=sent_looked_at,
            counted_on_before=tray.counted_on,
            was_sample_before=tray.is_sample,
            is_waiting=not is_late and self._needs_second_look(tray, pieces),
            is_late=is_late,
        )
        if not row.is_waiting and not is_late:
            self._correct(row)
        self.counts.append(row)
        if not row.is_waiting:
            tray.newest_at = max(looked_at, tray.newest_at or looked_at)
        seen = Seen(looked_at, pieces, self.user.pk, self.user.name, row.is_waiting)
        tray.seen.append(seen)
        return row

    def _refuse_second(self, tray: TrayNow, pieces: int, looked_at: datetime) -> None:
        """Two counts of one tray within two hours ask whether it was the same tray.

        Not where the first waits for just this second look, and not where both say the same.
        """
        for seen in tray.seen:
            is_near = abs(seen.looked_at - looked_at) <= COUNTED_TWICE_WITHIN
            waits_for_this = seen.is_waiting and seen.user_id != self.user.pk
            if is_near and seen.pieces != pieces and not waits_for_this:
                raise CountedJustNow(
                    tray=tray.code,
                    pieces=seen.pieces,
                    who=seen.who,
                    when=f"{timezone.localtime(seen.looked_at):%H:%M}",
                    now=pieces,
                )

    def _needs_second_look(self, tray: TrayNow, pieces: int) -> bool:
        """A large rise counts only once another person has seen it too."""
        # Exact: 115 is 15 % above 100, and binary floating point says a hair less.
        if pieces <= tray.pieces * (1 + self.second_look_share):
            return False
        others = [row for row in tray.seen if row.is_waiting and row.user_id != self.user.pk]
        newest = max(others, key=lambda row: row.looked_at, default=None)
        return newest is None or newest.pieces < pieces

    def _correct(self, row: CountRow) -> None:
        """The difference becomes a move; what waited for another pair of eyes waits no more."""
        tray = row.tray
        row.moved = row.pieces - tray.pieces
        if row.moved:
            self.moves.add(
                tray_id=tray.tray_id,
                lot_id=tray.lot_id or 0,
                end=Place.End.FOUND if row.moved > 0 else Place.End.LOST,
                pieces=row.moved,
                reason=Movement.Reason.RECOUNT,
                at=row.looked_at,
                client_key=f"count:{row.client_id}",
            )
        facts: dict[str, object] = {
            "tray": tray.code,
            "strain_form": tray.strain_form_id,
            "before": tray.pieces,
            "after": row.pieces,
            "reason": f"counted {row.pieces}, {tray.pieces} before",
        }
        self.happenings.append(("stock.counted", row.looked_at, facts))
        tray.pieces, tray.is_sample = row.pieces, row.is_sample
        tray.counted_on, tray.is_recounted = row.looked_at.astimezone(self.zone).date(), True
        if not any(seen.is_waiting for seen in tray.seen):
            return
        for other in self.counts:
            if other.tray is tray:
                other.is_waiting = False
        tray.seen = [replace(seen, is_waiting=False) for seen in tray.seen]

    def dead(self, *, code: str, pieces: int, at: datetime, client_key: str) -> None:
        """Write dead pieces off a tray. Its count keeps its day: nobody counted the rest.

        Raises Unknown, NotEnoughInTray.
        """
        tray = self.trays.get(code)
        if tray is None or tray.balance_id is None:
            raise Unknown(kind="tray with a lot", name=code or "(none)")
        if pieces > tray.pieces:
            raise NotEnoughInTray(tray=code, there=tray.pieces, asked=pieces)
        self.moves.add(
            tray_id=tray.tray_id,
            lot_id=tray.lot_id or 0,
            end=Place.End.DEAD,
            pieces=-pieces,
            reason=Movement.Reason.DEATH,
            at=at,
            client_key=client_key,
        )
        tray.pieces -= pieces
        reason = f"{pieces} died"
        facts: dict[str, object] = {
            "tray": code,
            "strain_form": tray.strain_form_id,
            "reason": reason,
        }
        self.happenings.append(("stock.died", at, facts))

    def write(self) -> dict[str, int]:
        """Write all of it in a handful of statements. Returns the moves' keys by client key."""
        moved = write_moves(moves=self.moves, user_id=self.user.pk)
        recounted = [row for row in self.trays.values() if row.is_recounted]
        touched = [row for row in self.trays.values() if row.is_touched]
        write_balances(
            rows=[
                TrayAfter(row.balance_id or 0, row.was, row.pieces, row.counted_on, row.is_sample)
                for row in touched
            ]
        )
        add_to_totals(differences=self._differences())
        if any(row.had_waiting for row in recounted):
            waiting = Count.objects.filter(is_waiting=True)
            waiting.filter(tray__in=[row.tray_id for row in recounted]).update(is_waiting=False)
        self._insert_counts(moved)
        told = [(kind, time_value(at), facts_value(facts)) for kind, at, facts in self.happenings]
        insert_rows(model=Happening, columns=("kind", "at", "facts"), rows=told)
        return moved

    def _differences(self) -> dict[tuple[int, int, str], int]:
        totals: dict[tuple[int, int, str], int] = defaultdict(int)
        for row in self.trays.values():
            if row.is_touched and row.lot_state in ledger.STANDINGS:
                totals[row.strain_form_id, row.system_id, row.lot_state] += row.pieces - row.was
        return totals

    def _insert_counts(self, moved: dict[str, int]) -> None:
        received_at = time_value(self.received_at)
        insert_rows(
            model=Count,
            columns=COUNT_COLUMNS,
            rows=[
                (
                    row.client_id,
                    time_value(row.looked_at),
                    received_at,
                    self.user.pk,
                    self.phone_id,
                    self.keyed_by_id,
                    time_value(row.sent_looked_at),
                    row.tray.tray_id,
                    row.tray.lot_id,
                    row.pieces,
                    row.pieces_before,
                    row.is_sample,
                    str(row.sure_share),
                    day_value(row.counted_on_before),
                    row.was_sample_before,
                    row.is_waiting,
                    moved.get(f"count:{row.client_id}") if row.moved else None,
                )
                for row in self.counts
            ],
        )

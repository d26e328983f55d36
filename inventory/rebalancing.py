"""HOP 2f rebalancing: mothers go to another water system by a signed move, floor and hold minded.

Call from: inventory/house_pages.py.
Locks: the line's strain-forms through the ledger.
"""

from collections.abc import Sequence
from dataclasses import dataclass
from datetime import datetime

from django.db import transaction

from inventory import ledger
from inventory.calc.reserve import spread_share
from inventory.carrying import TrayUnderHold, hold_on
from inventory.errors import FarmError, Unknown
from inventory.holds import ReasonMissing
from inventory.models import Balance, Happening, Lot, Movement, Tray
from inventory.mothers import Mothers
from inventory.people import User


class NotAMotherTray(FarmError):
    code = "not_a_mother_tray"
    title = "No mothers stand there"
    message = "{tray} holds no kept pieces. Name the tray of the mothers that are to move."


class SpreadNoBetter(FarmError):
    code = "spread_no_better"
    title = "That would not spread them"
    message = (
        "After that {share} of the mothers of {strain} would stand in system {system}, {was} do "
        "now. Choose a tray of another system, or fewer pieces."
    )


@dataclass(frozen=True, slots=True)
class Step:
    """One move that brings a line's mothers nearer to two systems. ``stop`` says why it waits;
    ``to_tray`` is empty where none is free there."""

    strain: str
    from_tray: str
    to_tray: str
    pieces: int
    stop: str = ""


def steps_of(*, rows: Sequence[Mothers]) -> dict[str, Step]:
    """For every line with a proposal, the tray to take from and a free tray to put into."""
    wanted = {row.strain: row for row in rows if row.move_pieces and row.move_to}
    standing = Balance.objects.filter(
        pieces__gt=0, lot__state=Lot.State.KEPT, strain_form__strain__key__in=wanted
    ).select_related("tray__trough__system", "strain_form__strain")
    sources: dict[str, list[Balance]] = {}
    for balance in standing.order_by("-pieces", "tray__code"):
        sources.setdefault(balance.strain_form.strain.key, []).append(balance)
    free = list(
        Tray.objects.exclude(use=Tray.Use.SALE)
        .exclude(balance__pieces__gt=0)
        .select_related("trough__system")
        .order_by("trough__walk_order", "slot")
    )
    found = {}
    for strain, row in wanted.items():
        step = _step_of(row, sources.get(strain, []), free)
        if step is not None:
            found[strain] = step
            free = [tray for tray in free if tray.code != step.to_tray]
    return found


def _step_of(row: Mothers, standing: Sequence[Balance], free: Sequence[Tray]) -> Step | None:
    here = [one for one in standing if one.tray.trough.system.code == row.move_from]
    if not here:
        return None
    source = here[0]
    pieces = min(row.move_pieces, source.pieces)
    target = next(
        (
            tray
            for tray in free
            if tray.trough.system.code == row.move_to and tray.positions >= pieces
        ),
        None,
    )
    held = hold_on(trough=source.tray.trough, tray=source.tray)
    stop = f"{held.code} holds {source.tray.code}" if held else ""
    return Step(row.strain, source.tray.code, target.code if target else "", pieces, stop)


@transaction.atomic
def move_mothers(
    *, from_tray: str, to_tray: str, pieces: int, reason: str, user: User, at: datetime
) -> Movement:
    """Carry some mothers of one tray into a free tray of another system, or of the same lot.

    Raises Unknown, NotAMotherTray, ReasonMissing, TrayUnderHold, SpreadNoBetter, NotAllowed, and
    what the ledger raises.
    """
    user.must("take_from_kept")
    if not reason:
        raise ReasonMissing(what="moving mothers")
    trays = {
        row.code: row
        for row in Tray.objects.select_related("trough__system").filter(
            code__in=[from_tray, to_tray]
        )
    }
    for code in (from_tray, to_tray):
        if code not in trays:
            raise Unknown(kind="tray", name=code or "(none)")
    source, target = trays[from_tray], trays[to_tray]
    balance = Balance.objects.select_related("lot", "strain_form__strain").filter(
        tray=source, pieces__gt=0
    )
    standing = balance.first()
    if standing is None or standing.lot.state != Lot.State.KEPT:
        raise NotAMotherTray(tray=source.code)
    for tray in (source, target):
        held = hold_on(trough=tray.trough, tray=tray)
        if held is not None and source.trough.system_id != target.trough.system_id:
            raise TrayUnderHold(tray=tray.code, hold=held.code, reason=held.reason)
    _refuse_worse(standing, source, target, pieces)
    movement = ledger.move_pieces(
        lot=standing.lot,
        from_place=ledger.tray_place(source),
        to_place=ledger.tray_place(target),
        pieces=pieces,
        reason=Movement.Reason.SHIFT,
        at=at,
        user=user,
        note=f"mothers spread: {reason}"[:200],
    )
    Tray.objects.filter(pk=target.pk).update(use=Tray.Use.KEPT)
    for tray in (source, target):
        facts = {
            "tray": tray.code,
            "strain_form": standing.strain_form_id,
            "reason": f"{pieces} mothers {source.code} to {target.code}: {reason}",
        }
        Happening.objects.create(kind="tray.shifted", at=at, facts=facts)
    return movement


def _refuse_worse(standing: Balance, source: Tray, target: Tray, pieces: int) -> None:
    """A move must leave the fullest system with no larger share of the line than before."""
    strain = standing.strain_form.strain
    kept: dict[str, int] = {}
    rows = Balance.objects.filter(
        pieces__gt=0, lot__state=Lot.State.KEPT, strain_form__strain=strain
    )
    for code, number in rows.values_list("tray__trough__system__code", "pieces"):
        kept[code] = kept.get(code, 0) + number
    _, was = spread_share(kept_pieces=kept)
    after = dict(kept)
    after[source.trough.system.code] -= pieces
    there = target.trough.system.code
    after[there] = after.get(there, 0) + pieces
    system, share = spread_share(kept_pieces=after)
    if share >= was:
        raise SpreadNoBetter(
            strain=strain.key, system=system, share=f"{share:.0%}", was=f"{was:.0%}"
        )

"""HOP 9e incident: somebody was hurt at a bench -> that bench stands still until it is made safe.

Call from: shipping/bench_pages.py, shipping/bench_notices.py, config/monday.py; its refusal from
shipping/bagging.py, shipping/sealing.py, shipping/handing_over.py.
Locks: the order's row, then the shipment's.
"""

from collections.abc import Mapping, Sequence
from datetime import datetime

from django.db import transaction
from django.db.models import QuerySet

from inventory.errors import FarmError, ForbiddenMove, ReasonMissing, Unknown
from inventory.models import Happening
from inventory.people import User
from shipping.models import Incident, Shipment
from shipping.road_checks import locked_shipment

MOST_WORDS = 300
# At the bench still: what has left cannot be stopped by it.
HERE = (Shipment.State.PLANNED, Shipment.State.CLEARED, Shipment.State.STOPPED)
DOCTOR = (
    "Anybody who feels ill, or is hurt badly: call your local emergency number now. Local "
    "first-aid rules, doctors and poison centres come before this page."
)
# The usual cautions. Toxin: an ornamental fish trade body's leaflet of 2018 on palytoxin (bleach 1
# to 9, ventilate, say what it may be, get medical help at once). The rest is common practice, no
# source.
FIRST_STEPS: Mapping[str, Sequence[str]] = {
    Incident.Kind.TOXIN: (
        "Leave the bench; nobody scrapes, heats or dries anything on it.",
        "Skin: wash long with soap and water. Eye: rinse under running water for at least a "
        "quarter of an hour, contact lenses out.",
        'Get medical help at once and say "possible palytoxin", even if it feels slight.',
        "Gloved and goggled: wet wipe, then household bleach 1 to 9 parts water on the surfaces, "
        "with air moving, never mixed with another cleaner. Gloves and wipes into a closed bag.",
    ),
    Incident.Kind.CUT: (
        "Put the blade down. Press a clean cloth on it; a deep or spurting one needs help now.",
        "Rinse with much clean water; take out no deep splinter of skeleton yourself.",
        'Cut by or near zoanthids: get medical help at once and say "possible palytoxin". Cuts '
        "in aquarium water turn bad late: a doctor hears that it was seawater.",
    ),
    Incident.Kind.OXYGEN: (
        "Fire: everybody out, alarm, the fire brigade. A cylinder in a fire can burst.",
        "A leak: shut the valve if that is safe, no flame, no switch, air the room.",
        "Clothes full of oxygen burn like tinder: out into the air for a quarter of an hour.",
    ),
    Incident.Kind.HEAT: (
        "A burn: cool running water for twenty minutes, nothing else on it; then a doctor for more "
        "than a small one.",
        "A torn pack: its powder is hot and harms eyes and lungs. Rinse, sweep up wet, no dust.",
    ),
    Incident.Kind.CHEMICAL: (
        "Out into the air. Skin and eyes: rinse long under running water, wet clothes off.",
        "Have the product's label and safety data sheet at hand and call a poison centre.",
        "Bleach that met an acid or another cleaner gives poisonous gas: everybody out.",
    ),
    Incident.Kind.OTHER: ("Make it safe, see to the person, then call the lead.",),
}


class IncidentOpen(FarmError):
    code = "incident_open"
    title = "This bench stands still"
    message = (
        "Order {order} has an open incident ({incident}): nothing of it may be {act}. A lead or "
        "the owner ends it at the bench, with a word on what was done."
    )


@transaction.atomic
def note_incident(
    *, shipment: Shipment, kind: str, words: str, user: User, now: datetime
) -> Incident:
    """Note what happened at the bench of a shipment; it stops there. Anybody of the staff may.

    Raises Unknown for a kind, ReasonMissing without a word, ForbiddenMove once it has left.
    """
    user.must("note_incident")
    shipment = locked_shipment(shipment=shipment)
    if kind not in Incident.Kind.values:
        raise Unknown(kind="kind of incident", name=kind[:20] or "(none chosen)")
    if not words.strip():
        raise ReasonMissing(what="an incident")
    if shipment.state not in HERE:
        raise ForbiddenMove(
            kind="Shipment",
            name=shipment.code,
            state=shipment.get_state_display(),
            wanted="stopped by an incident",
            why="it has left this bench",
        )
    incident = Incident.objects.create(
        shipment=shipment, kind=kind, words=words.strip()[:MOST_WORDS], noted_at=now, noted_by=user
    )
    _leave(incident, "incident.noted", now, user)
    return incident


@transaction.atomic
def end_incident(*, incident: Incident, words: str, user: User, now: datetime) -> Incident:
    """End an incident with a word on what was done; the bench goes on. Raises ReasonMissing,
    ForbiddenMove for one that is ended."""
    user.must("end_incident")
    locked_shipment(shipment=incident.shipment)
    incident = Incident.objects.select_related("shipment").get(pk=incident.pk)
    if incident.ended_at is not None:
        raise ForbiddenMove(
            kind="Incident", name=str(incident), state="ended", wanted="ended", why="it is already"
        )
    if not words.strip():
        raise ReasonMissing(what=f"the end of {incident}")
    incident.ended_at, incident.ended_by = now, user
    incident.ended_words = words.strip()[:MOST_WORDS]
    incident.save(update_fields=["ended_at", "ended_by", "ended_words"])
    _leave(incident, "incident.ended", now, user)
    return incident


def open_incidents() -> QuerySet[Incident]:
    """Incidents that nobody has ended, the oldest first."""
    rows = Incident.objects.filter(ended_at__isnull=True)
    return rows.select_related("shipment__order", "noted_by")


def shipment_incident(*, shipment: Shipment, key: str) -> Incident:
    """An incident of a shipment by its key as a form sends it. Raises Unknown."""
    rows = Incident.objects.filter(shipment=shipment).select_related("shipment")
    incident = rows.filter(pk=int(key) if key.isascii() and key.isdigit() else None).first()
    if incident is None:
        raise Unknown(kind=f"incident of {shipment.code}", name=key[:20] or "(none)")
    return incident


def refuse_at_stopped_bench(*, shipment: Shipment, act: str) -> None:
    """Refuse an act at a bench with an open incident. The caller holds the shipment's lock.

    Raises IncidentOpen.
    """
    incident = open_incidents().filter(shipment=shipment).first()
    if incident is not None:
        number = shipment.order.number if shipment.order else shipment.code
        raise IncidentOpen(order=number, incident=str(incident), act=act)


def _leave(incident: Incident, kind: str, at: datetime, user: User) -> None:
    shipment = incident.shipment
    facts = {
        "order": shipment.order.number if shipment.order else "",
        "customer": shipment.customer.code,
        "shipment": shipment.code,
        "incident": str(incident),
        "by": user.code,
    }
    Happening.objects.create(kind=kind, at=at, facts=facts)

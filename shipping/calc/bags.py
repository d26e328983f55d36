"""Bags: what a kind holds, where it lies in the box, and how old a tied bag may get."""

from dataclasses import dataclass


@dataclass(frozen=True, slots=True)
class BagClock:
    """Hours after tying at which a bag is good, warned of, and stopped. [h]"""

    good_h: float = 24.0
    warn_h: float = 36.0
    stop_h: float = 48.0


def clock_state(*, age_h: float, clock: BagClock) -> str:
    """The word for a bag tied that many hours ago: good, watch, warn or stop.

    Small coral pieces travel well under about 20 h with oxygen, 36 h is possible, 48 h is damage:
    Todinanahary and others 2021, Western Indian Ocean Journal of Marine Science 20(2):81-93;
    Delbeek 2008, Public Aquarium Husbandry Series 2:363-373. The marks are the farm's own.
    """
    if age_h >= clock.stop_h:
        return "stop"
    if age_h >= clock.warn_h:
        return "warn"
    return "good" if age_h <= clock.good_h else "watch"


def place_words(*, bag: str, strain_class: str, toxin: int, sting: int) -> str:
    """Where a bag lies in its box and what it must not touch. Common practice, no source."""
    if strain_class == "CLAM":
        return "bottom, upright, nothing on top"
    if strain_class == "MANG":
        return "in the dry liner, upright"
    if toxin >= 2:
        return "in its own sealed liner"
    if sting >= 3:
        return "not against fleshy corals or clams"
    return "head down, no contact with the cup" if bag == "FL" else "in the wet liner"


def place_rank(*, strain_class: str, toxin: int) -> int:
    """Filling order, bottom first: clams, wet bags, toxic ones in their liner, plants on top."""
    if strain_class == "CLAM":
        return 0
    if strain_class == "MANG":
        return 3
    return 2 if toxin >= 2 else 1

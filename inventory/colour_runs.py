"""HOP 1c runs of colour: looks and signed words of one strain -> its run, and those of its systems.

Call from: inventory/colouring.py, inventory/colour_words.py, inventory/colour_pages.py.
A strain is run as one; each system by itself while their grades differ, or while a person's word
on one system says other than the strain does.
"""

from collections import defaultdict
from collections.abc import Iterable, Mapping, Sequence
from dataclasses import dataclass
from datetime import date

from inventory.bulk import among, many_value, read_day, rows_of
from inventory.calc.colour import (
    NEVER_LOOKED_AT,
    RESTING,
    ColourRule,
    ColourStep,
    Look,
    Word,
    run_looks,
)
from inventory.calc.colour_systems import SplitRule, split_since
from inventory.colour_looks import all_looks
from inventory.models import Balance, Strain

Words = Mapping[str, Sequence[Word]]

SIGNED = """
SELECT word.strain_id, system.code, word.signed_on, word.is_rest
FROM inventory_colourword AS word
LEFT JOIN inventory_watersystem AS system ON system.id = word.system_id
WHERE word.strain_id {} AND word.signed_on IS NOT NULL
ORDER BY word.settled_at, word.id
"""


def signed_words(*, strain_ids: Iterable[int]) -> dict[int, dict[str, list[Word]]]:
    """Every signed word by strain and code of water system; "" is the whole strain."""
    found: dict[int, dict[str, list[Word]]] = defaultdict(lambda: defaultdict(list))
    ids = list(strain_ids)
    rows = rows_of(SIGNED.format(among()), [many_value(ids)]) if ids else []
    for order, (strain_id, system, signed_on, is_rest) in enumerate(rows):
        on = read_day(signed_on)
        assert on is not None
        found[strain_id][system or ""].append(Word(on, bool(is_rest), order))
    return found


def best_run(runs: Mapping[str, list[ColourStep]]) -> list[ColourStep]:
    """The run of the system whose colour is best: one that does not rest, then by its value."""
    return max(runs.values(), key=lambda rows: (rows[-1].state not in RESTING, rows[-1].value))


@dataclass(frozen=True, slots=True)
class ColourInput:
    """The looks and words of one strain, and how its colour is run by them."""

    strain: Strain
    looks: dict[str, list[Look]]
    words: Words
    rule: ColourRule
    split: SplitRule

    def steps(self, system: str = "") -> list[ColourStep]:
        """The run of the whole strain, or of one system by itself."""
        looks, words = self.of(system)
        return run_looks(looks=looks, rule=self.rule, words=words)

    def of(self, system: str = "") -> tuple[list[Look], list[Word]]:
        """The looks and words that a run is made of."""
        whole = list(self.words.get("", ()))
        if not system:
            return all_looks(self.looks), whole
        own = list(self.words.get(system, ()))
        # A word on the whole strain is one on each of its systems as well.
        words = sorted([*whole, *own], key=lambda word: word.order)
        if self.parted_by_looks() is not None:
            return list(self.looks.get(system, ())), words
        if not own:
            return all_looks(self.looks), whole
        # Up to the word the strain was run as one; after it the system answers for itself.
        said_on = max(word.on for word in own)
        earlier = [look for look in all_looks(self.looks) if look.on <= said_on]
        later = [look for look in self.looks.get(system, ()) if look.on > said_on]
        return [*earlier, *later], words

    def parted_by_looks(self) -> date | None:
        """Since when the grades of its systems differ."""
        return split_since(looks=self.looks, rule=self.split)

    def runs(self, *, standing: Iterable[str]) -> tuple[dict[str, list[ColourStep]], date | None]:
        """The run of each system, and since when; none while the strain is run as one.

        ``standing`` are the systems in which pieces of the strain stand.
        """
        since = self.parted_by_looks()
        if since is not None:
            return {system: self.steps(system) for system in sorted(self.looks)}, since
        apart = {system: said for system in self.words if (said := self._said_apart(system))}
        if not apart:
            return {}, None
        every = sorted({*self.looks, *standing, *apart})
        since = min(apart.values())
        return {system: self.steps(system) or [_never_graded(since)] for system in every}, since

    def _said_apart(self, system: str) -> date | None:
        """The day of a word on one system that still says other than the strain does.

        A newer word on the whole strain, or looks after it that cross a line, have ended it.
        """
        if not system:
            return None
        said = self.words[system][-1]
        if any(word.order > said.order for word in self.words.get("", ())):
            return None
        steps = self.steps(system)
        last = max(index for index, step in enumerate(steps) if step.is_word)
        is_other = any((step.state in RESTING) != _rests(steps[last]) for step in steps[last:])
        strain = self.steps()
        is_resting = bool(strain) and _rests(strain[-1])
        if is_other or is_resting == _rests(steps[-1]):
            return None
        return said.on


def _never_graded(on: date) -> ColourStep:
    return ColourStep(on, NEVER_LOOKED_AT, "in colour", False, False, None, ())


def _rests(step: ColourStep) -> bool:
    return step.state in RESTING


def standing_systems(*, strain_id: int) -> list[str]:
    """Codes of the systems in which pieces of a strain stand."""
    rows = Balance.objects.filter(pieces__gt=0, strain_form__strain=strain_id).order_by()
    return sorted(set(rows.values_list("tray__trough__system__code", flat=True)))

"""A share run read again from what it kept: every listing's trace, its sentences, its numbers."""

import json
from collections.abc import Mapping, Sequence
from dataclasses import dataclass, field
from datetime import datetime
from typing import Any

from orders.calc.share_orders import WAYS, ShortBook, share_book, share_listing
from orders.calc.share_rules import Ask, RuleSettings
from orders.calc.share_words import (
    buyer_hand_words,
    buyer_sentence,
    hand_words,
    sentence,
)
from orders.calc.sharing import Share


def canonical(value: Any) -> str:
    """JSON text that is the same on every machine and database."""
    return json.dumps(value, sort_keys=True, ensure_ascii=False, separators=(",", ":"))


@dataclass(frozen=True, slots=True)
class Replay:
    """The book of a run and its rule's numbers; a listing is shared again when it is asked for.

    By item a listing stands for itself; by order the whole book is shared at once. A line is found
    by its ref, since a listing may bear another name since.
    """

    way: str
    listings: Mapping[str, ShortBook]
    reasons: Mapping[str, Mapping[str, str]]
    listing_of: Mapping[str, str]
    settings: RuleSettings
    found: dict[str, Share] = field(default_factory=dict)

    @classmethod
    def read(cls, *, inputs: str, settings: str) -> "Replay":
        """From the texts of a run: inputs, and the rule's numbers, "" for the usual ones."""
        rows = json.loads(inputs)
        return cls(
            way=next((row["way"] for row in rows if "way" in row), WAYS[0]),
            listings={row["listing"]: _book_of(row) for row in rows},
            reasons={
                row["listing"]: {
                    ref: change["reason"] for ref, change in row.get("hand", {}).items()
                }
                for row in rows
            },
            listing_of={ask["ref"]: row["listing"] for row in rows for ask in row["asks"]},
            settings=_settings_of(settings),
        )

    def share(self, listing: str) -> Share:
        if listing not in self.found:
            self._share_again(listing)
        return self.found[listing]

    def _share_again(self, listing: str) -> None:
        if self.way == WAYS[0]:
            self.found[listing] = share_listing(self.listings[listing], self.settings)
            return
        books = list(self.listings.values())
        self.found.update(share_book(way=self.way, listings=books, settings=self.settings).shares)

    def sentence(self, *, ref: str, counted_in: str) -> str:
        """What staff read of a line."""
        listing = self.listing_of[ref]
        shared = self.share(listing)
        words = hand_words(shared, self.reasons[listing])
        return sentence(shared, ref, words, counted_in=counted_in)

    def buyer_sentence(self, *, ref: str, counted_in: str) -> str:
        """What the buyer of a line reads of it."""
        listing = self.listing_of[ref]
        words = buyer_hand_words(ref, self.reasons[listing])
        return buyer_sentence(self.share(listing), ref, words, counted_in=counted_in)

    def result(self) -> str:
        """What each line got by the rules, one listing after the other."""
        return result_text([(name, self.share(name).promised) for name in self.listings])

    def trace(self) -> str:
        """Every number on the way there."""
        return canonical(
            [{"listing": name, "trace": self.share(name).trace} for name in self.listings]
        )


def result_text(rows: Sequence[tuple[str, Mapping[str, int]]]) -> str:
    """A run's result as it is kept: listing by listing what each line got, in sale units."""
    return canonical([{"listing": name, "promised": dict(promised)} for name, promised in rows])


def _book_of(row: Mapping[str, Any]) -> ShortBook:
    return ShortBook(
        name=row["listing"],
        rule=row["rule"],
        available=row["available"],
        unit_pieces=row.get("unit_pieces", 1),
        asks=tuple(
            Ask(**{**ask, "sent_at": datetime.fromisoformat(ask["sent_at"])}) for ask in row["asks"]
        ),
        hand={ref: change["units"] for ref, change in row.get("hand", {}).items()},
        is_stopped=row.get("is_stopped", False),
    )


def settings_text(settings: RuleSettings) -> str:
    return canonical(settings.as_plain())


def _settings_of(text: str) -> RuleSettings:
    if not text:
        return RuleSettings()
    plain = json.loads(text)
    weights = {int(tier): weight for tier, weight in plain["weights"].items()}
    return RuleSettings(**{**plain, "weights": weights})

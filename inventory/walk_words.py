"""What a stored note says back: the place read out, what was noted, what it did.

Call from: inventory/walk_sync.py, inventory/walk_bulk.py, inventory/walk_book.py.
"""

from collections.abc import Callable, Sequence
from decimal import Decimal
from typing import Any

from inventory.models import ColourState, Strain, WalkNote

Kind = WalkNote.Kind
# Letters of a note that are kept with it.
MOST_TEXT = 300

# What a look says from 0 to 3, in words. Common practice, no source.
POLYP_WORDS = ("closed", "a little out", "mostly out", "fully out")
GROWTH_WORDS = ("none", "slow", "good", "sale size")
ORGANS = {"CLAM": "mantle", "MANG": ""}


def organ_of(class_code: str) -> str:
    """What opens and closes: polyps, a clam's mantle, nothing of a mangrove."""
    return ORGANS.get(class_code, "polyps")


def number_words(number: Decimal) -> str:
    """A grade as people write it: 2 or 2.5."""
    return f"{number.normalize():f}"


def count_words(
    *, tray: str, pieces: int, pieces_before: int, is_waiting: bool, is_late: bool
) -> str:
    """A count read back: how it changed the tray, or that it waits for another look."""
    words = f"{tray}: {pieces} counted, {pieces_before} before"
    if is_waiting:
        return f"{words}. It waits for a second look by another person before it counts upwards."
    if is_late and pieces != pieces_before:
        return f"{words}. A later count of this tray stands."
    return f"{words}."


def note_words(row: WalkNote, *, beside: Sequence[str] = ()) -> str:
    """A note that is stored, read back; ``beside`` is what hangs on it, such as a photo."""
    place = row.tray.code if row.tray else row.trough.code
    return look_words(place=place, strain=row.strain, note=row, beside=beside)


def look_words(*, place: str, strain: Strain | None, note: Any, beside: Sequence[str] = ()) -> str:
    """A look read back, its place first. ``note`` is a Note, or a WalkNote that did something."""
    return f"{place}: {'; '.join(_parts(strain, note, beside))}."


def _parts(strain: Strain | None, note: Any, beside: Sequence[str]) -> list[str]:
    parts = _look_parts(strain, note) if (say := _ACT_WORDS.get(note.kind)) is None else say(note)
    if note.text:
        parts.append(f"“{note.text[:MOST_TEXT]}”")
    parts += beside
    return parts or ["looked, all well"]


def _look_parts(strain: Strain | None, note: Any) -> list[str]:
    parts = []
    if strain is not None:
        is_graded = note.grade is not None
        seen = f"grade {number_words(note.grade)}" if is_graded else "looked at"
        parts.append(f"{strain.key} {seen}")
        if note.polyp is not None:
            organ = organ_of(strain.strain_class_id)
            parts.append(f"{organ} {note.polyp}, {POLYP_WORDS[note.polyp]}")
    if note.growth is not None:
        parts.append(f"growth {note.growth}, {GROWTH_WORDS[note.growth]}")
    if note.light:
        parts.append(f"light {note.light}")
    if note.flow:
        parts.append(f"flow {note.flow}")
    if note.sampled_pieces is not None:
        parts.append(f"{note.rooted_pieces or 0} of {note.sampled_pieces} rooted")
    return parts


def _move_words(row: WalkNote) -> list[str]:
    move = row.tray_move
    if move is None:
        return ["carried"]
    return [f"carried from {move.from_trough.code} to {move.to_trough.code}, slot {move.to_slot}"]


def _shade_words(row: WalkNote) -> list[str]:
    if row.shade is None or not row.shade.fraction:
        return ["the shade is off"]
    return [f"shade {row.shade.fraction:.0%} until {row.shade.to_on:%a %-d %b}"]


def _undo_words(row: WalkNote) -> list[str]:
    words = ["the last note is taken back"]
    if row.hold is not None:
        words.append(f"hold {row.hold.code} stands until the lead signs it off as a mistake")
    return words


def _flag_words(row: WalkNote) -> list[str]:
    what = str(row.get_kind_display())
    if row.kind == Kind.SURGE and row.stalled_min == 0:
        return ["surge stands still", "its clock runs; a hold acts unless it is noted running"]
    if row.kind == Kind.SURGE and row.stalled_min is not None:
        what += f" {row.stalled_min} min"
    if row.hold is None:
        return [what, "noted, no hold"]
    return [what, f"hold {row.hold.code} on {row.hold.scope} acts now"]


def state_words(state: ColourState | None) -> str:
    """The smoothed grade and its state in a few words."""
    return f"smoothed {state.value:.2f}, {state.state}" if state else "never graded"


_ACT_WORDS: dict[str, Callable[[WalkNote], list[str]]] = {
    Kind.DEAD: lambda row: [f"{row.dead_pieces} dead, written off"],
    Kind.READY: lambda row: ["graded ready"],
    Kind.MOVE: _move_words,
    Kind.SHADE: _shade_words,
    Kind.PEST: _flag_words,
    Kind.BLEACH: _flag_words,
    Kind.SURGE: _flag_words,
    Kind.UNDO: _undo_words,
}

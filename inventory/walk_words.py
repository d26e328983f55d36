"""What a stored note says back: the place read out, what was noted, what it did.

Call from: inventory/walk_sync.py, inventory/walk_rows.py.
"""

from collections.abc import Callable, Sequence
from decimal import Decimal
from typing import Any

from inventory.models import ColourState, WalkNote

Kind = WalkNote.Kind

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


def note_words(row: Any, *, beside: Sequence[str] = ()) -> str:
    """A note read back, its place first. ``row`` is a WalkNote, or a LookSeen of walk_bulk;
    ``beside`` is what hangs on it, such as a photo."""
    place = row.tray.code if row.tray else row.trough.code
    return f"{place}: {'; '.join(_parts(row, beside))}."


def _parts(row: Any, beside: Sequence[str]) -> list[str]:
    act = _act_words(row)
    if act:
        return [*act, *([f"“{row.text}”"] if row.text else []), *beside]
    parts = [f"{row.strain.key} looked at"] if row.strain else []
    if row.grade is not None and row.strain is not None:
        parts = [f"{row.strain.key} grade {number_words(row.grade)}"]
    if row.polyp is not None and row.strain is not None:
        organ = organ_of(row.strain.strain_class_id)
        parts.append(f"{organ} {row.polyp}, {POLYP_WORDS[row.polyp]}")
    if row.growth is not None:
        parts.append(f"growth {row.growth}, {GROWTH_WORDS[row.growth]}")
    parts += [
        f"{name} {value}" for name, value in (("light", row.light), ("flow", row.flow)) if value
    ]
    if row.sampled_pieces is not None:
        parts.append(f"{row.rooted_pieces or 0} of {row.sampled_pieces} rooted")
    if row.text:
        parts.append(f"“{row.text}”")
    parts += beside
    return parts or ["looked, all well"]


def _act_words(row: Any) -> list[str]:
    say = _ACT_WORDS.get(row.kind)
    return say(row) if say else []


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

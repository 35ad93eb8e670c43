"""How readings are handed to what takes them: one by one as they are heard, or those of a while together.

Either way gives the same. What takes most readings has a `note_all` of its own, which costs far less for each.
"""

from collections.abc import Callable, Sequence

Note = Callable[[float, float], None]
"""Takes a reading: UTC seconds, value (finite)."""
NoteAll = Callable[[Sequence[float], Sequence[float]], None]
"""Takes readings: their UTC seconds, and as many values (finite)."""


def one_by_one(note: Note) -> NoteAll:
    """What takes readings together, of what takes one."""

    def note_all(at_s: Sequence[float], values: Sequence[float]) -> None:
        for when_s, value in zip(at_s, values, strict=True):
            note(when_s, value)

    return note_all


def both(one: NoteAll, other: NoteAll) -> NoteAll:
    """Has two meters take the same readings."""

    def note_all(at_s: Sequence[float], values: Sequence[float]) -> None:
        one(at_s, values)
        other(at_s, values)

    return note_all

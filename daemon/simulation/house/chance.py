"""Repeatable chance: a random source for each named slot of time, whatever order or step the slots are asked in."""

from random import Random


def source(seed: int, name: str, slot: int) -> Random:
    """The random source of one slot of one thing; the same arguments always give the same numbers."""
    return Random(f"{seed}/{name}/{slot}")

"""Plain values that are made with every reading or interval: frozen for the type checker, quick to make at run time.

A frozen dataclass sets each field through `object.__setattr__`, which takes two and a half times as long; of the replay
of a year of minutes that was a sixth. So the type checker, which every test run asks, forbids the assignment instead.
"""

from dataclasses import dataclass
from typing import TypeVar, dataclass_transform

T = TypeVar("T")


@dataclass_transform(frozen_default=True)
def record(cls: type[T]) -> type[T]:
    """Make a slotted dataclass that nobody may assign to, comparable and hashable by its values."""
    return dataclass(slots=True, unsafe_hash=True)(cls)

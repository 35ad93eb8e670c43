"""Plain values that are made with every reading or interval: frozen for the type checker, quick to make at run time.

A frozen dataclass sets each field through `object.__setattr__`, which takes two and a half times as long: a sixth of
the time of a year's replay. So the type checker, which runs with every test run, forbids the assignment instead.
"""

from dataclasses import dataclass
from typing import TypeVar, dataclass_transform

T = TypeVar("T")


@dataclass_transform(frozen_default=True)
def record(cls: type[T]) -> type[T]:
    """Make a slotted dataclass that nobody may assign to, comparable and hashable by its values."""
    return dataclass(slots=True, unsafe_hash=True)(cls)

"""What an alarm is."""

from dataclasses import dataclass


@dataclass(frozen=True, slots=True)
class Alarm:
    """A condition that lasts. name: unique among those that stand; since_s: forward-clock second it began."""

    name: str
    sentence: str
    since_s: float

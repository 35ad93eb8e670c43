"""What is published, and what a broker refuses."""

from dataclasses import dataclass
from typing import Literal


@dataclass(frozen=True, slots=True)
class Publication:
    """A message to be published; retain: the broker keeps it for later subscribers."""

    topic: str
    payload: bytes
    qos: int = 1
    retain: bool = False


@dataclass(frozen=True, slots=True)
class Refusal:
    """What the broker refuses on a standing link. topic: of the subscription or publication, "" if it is not known."""

    what: Literal["subscription", "publication"]
    topic: str
    why: str

    def __str__(self) -> str:
        if self.what == "subscription":
            return f"the broker refuses the subscription to {self.topic} ({self.why})"
        return f"the broker refuses what is published{self.topic and ' on ' + self.topic} ({self.why})"

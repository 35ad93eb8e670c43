"""What is published, and what a broker refuses."""

from dataclasses import dataclass
from typing import Literal

from rules.model.wording import say


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
            return say(
                "the broker refuses the subscription to {topic} ({why})",
                topic=self.topic,
                why=self.why,
            )
        if self.topic:
            return say("the broker refuses what is published on {topic} ({why})", topic=self.topic, why=self.why)
        return say("the broker refuses what is published ({why})", why=self.why)

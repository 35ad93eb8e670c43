"""What can come to the loop. Everybody else only puts these into its queue."""

from concurrent.futures import Future
from dataclasses import dataclass, field
from typing import TYPE_CHECKING, Any

from rules.model.reading import Reading

if TYPE_CHECKING:  # the commands know links by name from here, and start faster without the ledger
    from accounting.timeseries.outbox import Delivered, Failed


@dataclass(frozen=True, slots=True)
class Heard:
    """All readings of one MQTT message, decided on together."""

    readings: tuple[Reading, ...]


HOMIE_LINK = "homie device"
READER_LINK = "reader "
"""How the links of neighbours are called; no heater can have such a name."""


@dataclass(frozen=True, slots=True)
class Linked:
    """A connection came up or went down. reason: why, in words.

    name: "readings", a heater's, HOMIE_LINK, or READER_LINK and a name.
    """

    name: str
    up: bool
    reason: str = ""


@dataclass(frozen=True, slots=True)
class Meddled:
    """Somebody else published on a heater's order topic.

    payload: its start; retained: the broker kept it, and it was cleared; answered: `withhold` was sent again at once.
    """

    heater: str
    topic: str
    payload: str
    retained: bool
    answered: bool = False


@dataclass(frozen=True, slots=True)
class Due:
    """A scheduled job's time has come."""

    job: str


@dataclass(frozen=True, slots=True)
class Ask:
    """A question or a wish from the API; the answer, or the error, goes into `answer`."""

    name: str
    arguments: dict[str, Any] = field(default_factory=dict)
    answer: "Future[Any]" = field(default_factory=Future)


@dataclass(frozen=True, slots=True)
class Shipped:
    """What came of one shipment to the time-series database."""

    answer: "Delivered | Failed"


@dataclass(frozen=True, slots=True)
class Tick:
    """A stepped clock has moved; `done` is set when everything due has been done."""

    done: "Future[None]" = field(default_factory=Future)


@dataclass(frozen=True, slots=True)
class Stop:
    """Withhold, write everything down, end."""


Event = Heard | Linked | Meddled | Due | Ask | Shipped | Tick | Stop

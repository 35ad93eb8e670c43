"""The tables of devices that are read without MQTT. A signal names one as its topic: `reader:NAME`."""

from decimal import Decimal
from typing import Annotated, Literal

from pydantic import Field

from daemon.config.values import FilePath, Table, Text, Within

READER = "reader:"
"""How a topic begins that is no topic of the broker but a reader's."""


class SunSpecReader(Table):
    """A device that speaks Modbus TCP by the SunSpec models: the extra `sunspec`. It is read, never written to."""

    kind: Literal["sunspec"]
    """Kind of device."""
    host: Text
    """Host name or address."""
    port: Annotated[int, Within(1, 65535)] = 502
    """TCP port."""
    unit: Annotated[int, Within(0, 247)] = 1
    """Its Modbus unit identifier."""
    every_s: Annotated[float, Within(1, 3600)] = 10.0
    """How often it is read, s."""


class TelegramReader(Table):
    """A meter that sends telegrams by itself, each value with its OBIS code: the extra `telegrams`."""

    kind: Literal["telegrams"]
    """Kind of device."""
    format: Literal["sml", "dsmr"]
    """What it sends: "sml", Smart Message Language; "dsmr", text as meters with a P1 port do."""
    host: Text | None = None
    """Host name or address of the network port that passes on what the meter sends. Or give device."""
    port: Annotated[int, Within(1, 65535)] | None = None
    """TCP port beside host."""
    device: FilePath | None = None
    """The serial port the meter is at, such as "/dev/ttyUSB0". Or give host and port."""
    baud: Annotated[int, Within(300, 921600)] = 115200
    """Speed of the serial port; 9600 for most optical heads."""
    within_s: Annotated[float, Within(2, 600)] = 30.0
    """Silence after which the meter counts as not there, s."""


class ForecastReader(Table):
    """A forecast of the sun from a plug-in: a package of its own, installed beside brimful."""

    kind: Literal["forecast"]
    """Kind of source."""
    source: Text
    """Its name among the entry points `brimful.forecast_sources`."""
    options: dict[Text, Text | bool | int | Decimal] = Field(default_factory=dict)
    """The plug-in's own options; its documentation lists them."""
    secret_file: FilePath | None = None
    """File that holds a key for it, readable by its owner alone; the plug-in gets it as the option `secret`."""
    every_s: Annotated[float, Within(300, 86400)] = 3600.0
    """How often it is asked, s."""


Reader = Annotated[SunSpecReader | TelegramReader | ForecastReader, Field(discriminator="kind")]

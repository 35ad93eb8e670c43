"""The tables of what brimful is to others: the Homie device and the alerts."""

from typing import Annotated, Literal

from pydantic import Field

from daemon.config.values import FeedUrl, FilePath, OrderTopic, Table, Within, Words

AlertKind = Literal["alarm", "recovered"]


class Homie(Table):
    """Shows the house as a Homie 5 device, `brimful-` and the home's name. Without this table there is none."""

    domain: Annotated[
        str, Field(pattern=r"^[a-z0-9]([a-z0-9-]{0,38}[a-z0-9])?$"), Words('a topic level such as "homie"')
    ] = "homie"
    """First level of its topics."""
    settable: bool = False
    """Whether whoever may publish on the broker may set the stop level and an override. The temperature limit and the
    other hard guards hold all the same, but let the broker's access rules say who that is."""


class _Alert(Table):
    what: Annotated[tuple[AlertKind, ...], Field(strict=False, min_length=1)] = ("alarm", "recovered")
    """What is said: alarms as they begin, and their recovery."""


class MqttAlert(_Alert):
    """Alerts on a topic, as JSON."""

    kind: Literal["mqtt"]
    """How it is sent."""
    topic: OrderTopic
    """The topic."""


class Webhook(_Alert):
    """Alerts by an HTTP POST of JSON."""

    kind: Literal["webhook"]
    """How it is sent."""
    url: FeedUrl
    """Its address. check and the log never show more of it than the host."""
    token_file: FilePath | None = None
    """File that holds a token for `Authorization: Bearer`, readable by its owner alone."""
    within_s: Annotated[float, Within(1, 60)] = 10.0
    """How long one attempt may take, s."""


class Notify(_Alert):
    """Alerts by mail, text message and the like, through a notification library: the extra `notify`."""

    kind: Literal["notify"]
    """How it is sent."""
    urls_file: FilePath
    """File with one address of the library's a line (they hold passwords), readable by its owner alone."""


Alert = Annotated[MqttAlert | Webhook | Notify, Field(discriminator="kind")]

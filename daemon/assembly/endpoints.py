"""What the home file says of everything the daemon is linked with: ledger, signals, broker, heaters, database."""

from collections.abc import Mapping
from dataclasses import replace
from pathlib import Path

from accounting.ledger import Facts
from accounting.timeseries import Target
from daemon.config.devices import GateHeater
from daemon.config.model import Home, InfluxDb1, InfluxDb2
from daemon.config.readers import READER
from daemon.config.secrets import broker_password, kept_secret, timeseries_secret
from daemon.inputs.decode import Source
from daemon.mqtt.address import BrokerAddress
from rules.model.orders import Order

BROKER_PORT = 1883
"""Where the broker listens that `brimful run` brings along, on this machine only: the port that devices expect."""


def facts(home: Home) -> Facts:
    """What the home's ledger is about."""
    about = home.home
    return Facts(about.name, about.interval_minutes, about.currency, about.timezone, home.heater_names)


def sources(home: Home) -> list[Source]:
    """Where the home's signals are heard on the broker."""
    return [source for source in _all_sources(home) if not source.topic.startswith(READER)]


def read_sources(home: Home) -> list[Source]:
    """Where the home's signals are heard that readers read; each one's topic is `reader:NAME`."""
    return [source for source in _all_sources(home) if source.topic.startswith(READER)]


def _all_sources(home: Home) -> list[Source]:
    return [
        Source(
            name,
            heater_table.topic,
            heater_table.pointer,
            heater_table.factor,
            heater_table.offset,
            heater_table.time_pointer,
            heater_table.minimum,
            heater_table.maximum,
            heater_table.words,
            heater_table.minus_pointer,
        )
        for name, heater_table in home.signals.items()
    ]


def broker_address(home: Home) -> BrokerAddress | None:
    """The broker the home file names, None if it names none. Raises BrimfulError for an unreadable secret."""
    broker = home.broker
    if broker is None:
        return None
    password = broker_password(home)
    return BrokerAddress(
        broker.host,
        broker.tcp_port,
        broker.username,
        password.get_secret_value() if password is not None else None,
        broker.tls,
        str(home.path_of(broker.ca_file)) if broker.ca_file is not None else None,
    )


def own_broker_password(home: Home) -> Path:
    """The file with the password of the broker that `brimful run` brings along, beside the ledger."""
    return home.path_of(home.ledger.path).with_name("broker-password")


def own_broker_address(home: Home) -> BrokerAddress | None:
    """The broker that the home's daemon brings along, None if it has never run. Raises BrimfulError for its password.

    Whether it runs now is not looked at.
    """
    from daemon.mqtt.embedded_broker import USERNAME, find_mosquitto  # only `run`, `check` and `listen` need it

    file = own_broker_password(home)
    if not file.exists():
        return None
    password = kept_secret(file, "read the broker's password")
    return BrokerAddress("127.0.0.1", BROKER_PORT, USERNAME, password, mqtt5=find_mosquitto() is not None)


def timeseries_target(home: Home) -> Target | None:
    """The time-series database the home file names, None if it names none. Raises BrimfulError."""
    series = home.timeseries
    if series is None:
        return None
    secret = timeseries_secret(home)
    target = Target(series.kind, series.url, secret=secret.get_secret_value() if secret is not None else None)
    if isinstance(series, InfluxDb2):
        return replace(target, org=series.org, bucket=series.bucket)
    if isinstance(series, InfluxDb1):
        return replace(target, database=series.database, username=series.username or "")
    return replace(target, username=series.username or "")


def payloads(home: Home, name: str) -> Mapping[Order, str] | None:
    """The payload of each order to a gate heater; None for a heater ordered in watts."""
    heater = home.heaters[name]
    if not isinstance(heater, GateHeater):
        return None
    orders = {Order.WITHHOLD: heater.orders.withhold, Order.SURPLUS: heater.orders.surplus}
    if heater.orders.heat is not None:
        orders[Order.HEAT] = heater.orders.heat
    return orders

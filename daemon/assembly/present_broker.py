"""The broker there is to listen to now: the one that is named, or the one that a running daemon brought along."""

from daemon.assembly.endpoints import broker_address, own_broker_address
from daemon.config.model import Home
from daemon.mqtt.address import BrokerAddress
from daemon.setup.listen import reach


def present_broker(home: Home) -> BrokerAddress | None:
    """Where it is; None where none is named and no daemon runs. Raises BrimfulError for its secret."""
    return broker_address(home) or _brought_along(home)


def _brought_along(home: Home) -> BrokerAddress | None:
    own = own_broker_address(home)
    return own if own is not None and reach(own)[0] else None

"""What paho leaves to its user: properties of MQTT 5, sockets without delay, and links broken off."""

import contextlib
import logging
import socket
from functools import lru_cache
from typing import TYPE_CHECKING

from paho.mqtt.client import Client, MQTTMessageInfo
from paho.mqtt.packettypes import PacketTypes
from paho.mqtt.properties import Properties

if TYPE_CHECKING:
    from paho.mqtt.client import SocketLike

log = logging.getLogger(__name__)
_QUICK_ACK: int | None = getattr(socket, "TCP_QUICKACK", None)  # Linux alone has it


def taking_at_most(size: int) -> Properties:
    """Of a connection: the largest packet, in bytes, that it takes."""
    properties = Properties(PacketTypes.CONNECT)  # type: ignore[no-untyped-call]
    properties.MaximumPacketSize = size
    return properties


@lru_cache(maxsize=16)
def expiring_after(expiry_s: int) -> Properties:
    """Of a message: seconds after which nobody is to have it any more."""
    properties = Properties(PacketTypes.PUBLISH)  # type: ignore[no-untyped-call]
    properties.MessageExpiryInterval = expiry_s
    return properties


def no_delay(client: Client, _: object, sock: "SocketLike") -> None:
    """Send each packet at once."""
    # Without it the second packet of a QoS 1 exchange waits some 40 ms for the first one's acknowledgement.
    if isinstance(sock, socket.socket):
        sock.setsockopt(socket.IPPROTO_TCP, socket.TCP_NODELAY, 1)


def acknowledge_now(client: Client) -> None:
    """Acknowledge at once what has just come."""
    # A broker that does not set TCP_NODELAY on its own end holds a message back until this end has acknowledged the one
    # before, which a kernel puts off by some 40 ms. The option lasts for one acknowledgement, so it is set every time.
    sock = client.socket()
    if _QUICK_ACK is not None and isinstance(sock, socket.socket):
        with contextlib.suppress(OSError):
            sock.setsockopt(socket.IPPROTO_TCP, _QUICK_ACK, 1)


def break_off(client: Client) -> None:
    """Break the link off, so that the broker publishes its last will."""
    sock = client.socket()
    if isinstance(sock, socket.socket):
        try:
            sock.shutdown(socket.SHUT_RDWR)
        except OSError:
            log.debug("link was already broken")


def acknowledged(info: MQTTMessageInfo | None, timeout_s: float) -> bool:
    """Whether the broker has acknowledged a message within so many seconds."""
    if info is None:
        return False
    try:
        info.wait_for_publish(timeout_s)
        return info.is_published()
    except (ValueError, RuntimeError):
        return False

"""Before a link is made: what it needs, and the sentences for why it was not."""

import socket
import ssl

from paho.mqtt.reasoncodes import ReasonCode

from daemon.mqtt.address import BrokerAddress
from rules.errors import BrimfulError


class _TlsSocket(ssl.SSLSocket):
    """Closes itself when the broker's certificate is refused; paho drops such a socket without closing it."""

    def do_handshake(self, block: bool = False) -> None:
        try:
            super().do_handshake(block)
        except OSError:
            self.close()
            raise


def check_host(broker: BrokerAddress) -> None:
    """Raises BrimfulError where the host name is none; resolving it would fail by an error that is no OSError."""
    try:
        broker.host.encode("idna")
    except UnicodeError:
        raise BrimfulError("connect", "broker.host", f"expected a host name or address, got {broker.host!r}") from None


def tls_context(broker: BrokerAddress) -> ssl.SSLContext:
    """How the link is encrypted and the broker's certificate checked. Raises BrimfulError for an unusable CA file."""
    try:
        context = ssl.create_default_context(cafile=broker.ca_file)
        context.sslsocket_class = _TlsSocket
        return context
    except ssl.SSLError:
        cause = f"expected certificates in PEM form, found none in {broker.ca_file}"
    except OSError as error:
        cause = f"cannot read {broker.ca_file}: {(error.strerror or str(error)).lower()}"
    raise BrimfulError("connect", "broker.ca_file", cause)


def refusal_sentence(reason: ReasonCode) -> str:
    """Why the broker does not take the link, in words."""
    name = str(reason)
    if name in ("Not authorized", "Bad user name or password"):
        return f"the broker refuses user name or password ({name.lower()})"
    return f"the broker refuses the link: {name.lower()}"


def error_sentence(error: OSError) -> str:
    """Why a link was not made, in words."""
    match error:
        case ssl.SSLCertVerificationError():
            return f"the broker's certificate is not trusted: {error.verify_message}"
        case ssl.SSLError():
            return f"no TLS link: {(error.reason or str(error)).replace('_', ' ').lower()}"
        case ConnectionRefusedError():
            return "nothing listens there"
        case socket.gaierror():
            return "no such host"
        case TimeoutError():
            return "no answer in time"
        case _:
            return (error.strerror or str(error) or type(error).__name__).lower()

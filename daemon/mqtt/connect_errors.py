"""Before a link is made: what it needs, and the sentences for why it was not."""

import socket
import ssl

from paho.mqtt.reasoncodes import ReasonCode

from daemon.mqtt.address import BrokerAddress
from rules.model.errors import BrimfulError
from rules.model.wording import say


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
    hint = ""
    try:
        if not broker.host.startswith("["):
            broker.host.encode("idna")
            return
        hint = "an IPv6 address stands without brackets here"
    except UnicodeError:
        pass
    raise BrimfulError("connect", "broker.host", f"expected a host name or address, got {broker.host!r}", hint)


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


def refusal_sentence(reason: ReasonCode, broker: BrokerAddress) -> str:
    """Why the broker does not take the link, in words, with the home file's keys to look at."""
    name = str(reason)
    if name in ("Not authorized", "Bad user name or password"):
        if broker.username is None:
            return say(
                "the broker wants a user name ({answer}); set broker.username and broker.password_file",
                answer=name.lower(),
            )
        return say(
            "the broker refuses user name or password ({answer}); see broker.username and broker.password_file",
            answer=name.lower(),
        )
    return say("the broker refuses the link: {answer}", answer=name.lower())


def hung_up_sentence(broker: BrokerAddress) -> str:
    """For a broker that took the connection and ended it before it had said anything."""
    if broker.tls:
        return say("no TLS link: the other end hung up; does that port speak TLS? see broker.port and broker.tls")
    return say(
        "the broker closed the link without an answer; does that port want TLS, or another user name or "
        "password? see broker.port, broker.tls, broker.username and broker.password_file"
    )


_SAME_ID = say("another client comes with the same client id; does the broker make client ids of user names?")


def taken_over_sentence() -> str:
    """For a link that the broker gave to another client, and said so (MQTT 5)."""
    return say("the broker gave the link away: {same_id}", same_id=_SAME_ID)


def keeps_breaking_sentence() -> str:
    """For a link that breaks again and again soon after it was made: Mosquitto 2.0.11 gives links away silently."""
    return say(
        "the broker takes the link and soon ends it, again and again: perhaps {same_id}",
        same_id=_SAME_ID,
    )


def error_sentence(error: OSError, broker: BrokerAddress) -> str:
    """Why a link was not made, in words, with the home file's keys to look at."""
    match error:
        case ssl.SSLCertVerificationError():
            return _certificate_sentence(error, broker)
        case ssl.SSLEOFError() | ConnectionResetError() | ConnectionAbortedError() | BrokenPipeError():
            return hung_up_sentence(broker)
        case ssl.SSLError():
            why = (error.reason or str(error)).replace("_", " ").lower()
            return say(
                "no TLS link: {why}; does that port speak TLS? see broker.port and broker.tls",
                why=why,
            )
        case ConnectionRefusedError():
            return say("nothing listens there; is the broker running? see broker.host and broker.port")
        case socket.gaierror(errno=socket.EAI_AGAIN):
            return say("no name server answers for that host; see broker.host, or give its address")
        case socket.gaierror():
            return say("no such host; see broker.host")
        case TimeoutError():
            return say("no answer in time; see broker.host and broker.port, and what lies between")
        case _:
            return say(
                "{error}; see broker.host",
                error=(error.strerror or str(error) or type(error).__name__).lower(),
            )


def _certificate_sentence(error: ssl.SSLCertVerificationError, broker: BrokerAddress) -> str:
    # OpenSSL's codes: x509_vfy.h. The message of a mismatch says what was asked for.
    match error.verify_code:
        case 9 | 10:
            late = say("the broker's certificate has expired")
            if error.verify_code == 9:
                late = say("the broker's certificate is not valid yet")
            return say("{late}; renew it on the broker, or set this machine's clock (broker.tls)", late=late)
        case 62 | 64:
            why = error.verify_message.rstrip(".")
            return say("the broker's certificate is another host's: {why}; see broker.host", why=why)
        case _:
            signer = (
                say("the authority in broker.ca_file") if broker.ca_file else say("an authority this machine trusts")
            )
            return say(
                "the broker's certificate is not signed by {signer} ({verify_message}); name the certificate of "
                "the broker's authority in broker.ca_file",
                signer=signer,
                verify_message=error.verify_message,
            )

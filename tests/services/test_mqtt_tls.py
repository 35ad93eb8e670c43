"""Encrypted links: the right authority, the wrong one, an expired certificate, another host's, none at all.

Each refusal is one line that names the home file's key to look at; `tests/services/test_mqtt_refusals.py` has it come
through `check` and the daemon's log.
"""

from dataclasses import replace
from pathlib import Path

import pytest

from daemon.mqtt.address import BrokerAddress
from daemon.mqtt.connection import Connection
from daemon.setup.listen import reach
from rules.model.errors import BrimfulError
from tests.support.broker import HOST, Mosquitto
from tests.support.certificates import Authority

pytestmark = pytest.mark.services


def refused(address: BrokerAddress) -> str:
    """Why it is, after the address."""
    ok, sentence = reach(address)
    assert not ok
    assert sentence.startswith(f"broker {address}: ")
    return sentence.removeprefix(f"broker {address}: ")


def test_a_trusted_broker(tmp_path: Path) -> None:
    with Mosquitto(tmp_path, tls=Authority(tmp_path).server()) as broker:
        ok, sentence = reach(broker.address())
    assert ok, sentence


def test_an_authority_we_do_not_trust(tmp_path: Path) -> None:
    with Mosquitto(tmp_path, tls=Authority(tmp_path).server()) as broker:
        other = replace(broker.address(), ca_file=str(Authority(tmp_path, "other").file))
        named, none_named = refused(other), refused(replace(other, ca_file=None))
    hint = "name the certificate of the broker's authority in broker.ca_file"
    assert named.startswith("the broker's certificate is not signed by the authority in broker.ca_file (")
    assert none_named.startswith("the broker's certificate is not signed by an authority this machine trusts (")
    assert named.endswith(f"; {hint}")
    assert none_named.endswith(f"; {hint}")


def test_an_expired_certificate(tmp_path: Path) -> None:
    with Mosquitto(tmp_path, tls=Authority(tmp_path).server(days=-3)) as broker:
        assert refused(broker.address()) == (
            "the broker's certificate has expired; renew it on the broker, or set this machine's clock (broker.tls)"
        )


def test_a_certificate_that_is_not_valid_yet(tmp_path: Path) -> None:
    with Mosquitto(tmp_path, tls=Authority(tmp_path).server(days=30, from_days=2)) as broker:
        assert refused(broker.address()).startswith("the broker's certificate is not valid yet; ")


@pytest.mark.parametrize(("host", "mismatch"), [(HOST, "IP address"), ("localhost", "Hostname")])
def test_a_certificate_of_another_host(tmp_path: Path, host: str, mismatch: str) -> None:
    with Mosquitto(tmp_path, tls=Authority(tmp_path).server(address="192.0.2.1")) as broker:
        sentence = refused(broker.address(host=host))
    assert sentence.startswith(f"the broker's certificate is another host's: {mismatch} mismatch, ")
    assert sentence.endswith("; see broker.host")


def test_tls_where_there_is_none(tmp_path: Path) -> None:
    ca = str(Authority(tmp_path).file)
    with Mosquitto(tmp_path) as broker:
        # Several times: whether the broker's goodbye or its reset comes first must not matter.
        said = {refused(BrokerAddress(HOST, broker.port, tls=True, ca_file=ca)) for _ in range(5)}
    assert said == {"no TLS link: the other end hung up; does that port speak TLS? see broker.port and broker.tls"}


def test_plain_where_tls_is_expected(tmp_path: Path) -> None:
    with Mosquitto(tmp_path, tls=Authority(tmp_path).server()) as broker:
        said = {refused(BrokerAddress(HOST, broker.port)) for _ in range(5)}
    (sentence,) = said
    assert sentence.startswith("the broker closed the link without an answer; does that port want TLS, ")
    assert "see broker.port, broker.tls, " in sentence


def test_a_ca_file_that_is_missing_or_no_certificate(tmp_path: Path) -> None:
    missing = str(tmp_path / "none.pem")
    with pytest.raises(BrimfulError, match=r"broker\.ca_file: cannot read .*none\.pem: no such file"):
        Connection(BrokerAddress(HOST, tls=True, ca_file=missing), "test")
    empty = tmp_path / "empty.pem"
    empty.write_text("not a certificate\n")
    with pytest.raises(BrimfulError, match=r"broker\.ca_file: expected certificates in PEM form"):
        Connection(BrokerAddress(HOST, tls=True, ca_file=str(empty)), "test")

"""Encrypted links: the right authority, the wrong one, an expired certificate, another host's, none at all."""

from pathlib import Path

import pytest

from daemon.mqtt.address import BrokerAddress
from daemon.mqtt.connection import Connection
from daemon.mqtt.survey import reach
from rules.errors import BrimfulError
from tests.support.broker import HOST, Mosquitto
from tests.support.certificates import Authority

pytestmark = pytest.mark.services


def test_a_trusted_broker(tmp_path: Path) -> None:
    with Mosquitto(tmp_path, tls=Authority(tmp_path).server()) as broker:
        ok, sentence = reach(broker.address())
    assert ok, sentence


def test_an_authority_we_do_not_trust(tmp_path: Path) -> None:
    with Mosquitto(tmp_path, tls=Authority(tmp_path).server()) as broker:
        other = Authority(tmp_path, "other")
        address = BrokerAddress(HOST, broker.port, tls=True, ca_file=str(other.file))
        ok, sentence = reach(address)
    assert not ok
    assert sentence.startswith(f"broker {HOST}:{broker.port}: the broker's certificate is not trusted: ")


def test_an_expired_certificate(tmp_path: Path) -> None:
    with Mosquitto(tmp_path, tls=Authority(tmp_path).server(days=-3)) as broker:
        ok, sentence = reach(broker.address())
    assert not ok
    assert sentence.endswith("is not trusted: certificate has expired")


def test_a_certificate_of_another_host(tmp_path: Path) -> None:
    with Mosquitto(tmp_path, tls=Authority(tmp_path).server(address="192.0.2.1")) as broker:
        ok, sentence = reach(broker.address())
    assert not ok
    assert "is not trusted: IP address mismatch" in sentence


def test_tls_where_there_is_none(tmp_path: Path) -> None:
    ca = str(Authority(tmp_path).file)
    with Mosquitto(tmp_path) as broker:
        ok, sentence = reach(BrokerAddress(HOST, broker.port, tls=True, ca_file=ca))
    assert not ok
    assert "TLS" in sentence or "reset" in sentence


def test_plain_where_tls_is_expected(tmp_path: Path) -> None:
    with Mosquitto(tmp_path, tls=Authority(tmp_path).server()) as broker:
        ok, sentence = reach(BrokerAddress(HOST, broker.port))
    assert not ok
    assert "TLS may be wrong" in sentence


def test_a_ca_file_that_is_missing_or_no_certificate(tmp_path: Path) -> None:
    missing = str(tmp_path / "none.pem")
    with pytest.raises(BrimfulError, match=r"cannot read .*none\.pem: no such file"):
        Connection(BrokerAddress(HOST, tls=True, ca_file=missing), "test")
    empty = tmp_path / "empty.pem"
    empty.write_text("not a certificate\n")
    with pytest.raises(BrimfulError, match="expected certificates in PEM form"):
        Connection(BrokerAddress(HOST, tls=True, ca_file=str(empty)), "test")

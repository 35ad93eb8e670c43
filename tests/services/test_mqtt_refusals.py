"""A broker that does not take us, or not all we ask: one line in `check`, one in the log, attempts ever further apart.

The line names the home file's key at fault; the heater is withheld all the while, for nothing is heard.
"""

import base64
import hashlib
import json
import socket
from collections.abc import Callable, Iterator
from contextlib import ExitStack
from dataclasses import replace
from pathlib import Path

import pytest
from click.testing import CliRunner, Result

from daemon.cli.main import commands
from daemon.inputs.decode import Source
from daemon.mqtt.address import BrokerAddress
from daemon.mqtt.connection import Connection
from daemon.mqtt.listener import Listener
from daemon.timing.clock import SteppedClock
from daemon.timing.events import Linked
from tests.support.broker import HOST, TIMEOUT_S, Client, Inbox, Mosquitto, free_port, plugin
from tests.support.certificates import Authority
from tests.support.daemon_house import House

pytestmark = pytest.mark.services

ATTEMPTS = 12
DEPLOYED_ACL = Path(__file__).parents[2] / "deploy" / "mosquitto" / "acl"
Made = Callable[[ExitStack, Path], BrokerAddress]


def wrong_password(stack: ExitStack, folder: Path) -> BrokerAddress:
    return stack.enter_context(Mosquitto(folder, users={"brimful": "right"})).address("brimful", "wrong")


def no_user(stack: ExitStack, folder: Path) -> BrokerAddress:
    return stack.enter_context(Mosquitto(folder, users={"brimful": "right"})).address()


def wrong_authority(stack: ExitStack, folder: Path) -> BrokerAddress:
    broker = stack.enter_context(Mosquitto(folder, tls=Authority(folder).server()))
    return replace(broker.address(), ca_file=str(Authority(folder, "other").file))


def expired(stack: ExitStack, folder: Path) -> BrokerAddress:
    return stack.enter_context(Mosquitto(folder, tls=Authority(folder).server(days=-1))).address()


def another_host(stack: ExitStack, folder: Path) -> BrokerAddress:
    return stack.enter_context(Mosquitto(folder, tls=Authority(folder).server(address="192.0.2.1"))).address()


def tls_to_a_plain_port(stack: ExitStack, folder: Path) -> BrokerAddress:
    ca = str(Authority(folder).file)
    return replace(stack.enter_context(Mosquitto(folder)).address(), tls=True, ca_file=ca)


def plain_to_a_tls_port(stack: ExitStack, folder: Path) -> BrokerAddress:
    broker = stack.enter_context(Mosquitto(folder, tls=Authority(folder).server()))
    return replace(broker.address(), tls=False, ca_file=None)


def nobody_there(stack: ExitStack, folder: Path) -> BrokerAddress:
    return BrokerAddress(HOST, free_port())


def nobody_there_by_ipv6(stack: ExitStack, folder: Path) -> BrokerAddress:
    return BrokerAddress("::1", free_port())


def no_such_host(stack: ExitStack, folder: Path) -> BrokerAddress:
    return BrokerAddress("no-broker-here.invalid")  # RFC 2606: never a name


CASES: dict[Made, tuple[str, str]] = {
    wrong_password: ("refuses user name or password", "see broker.username and broker.password_file"),
    no_user: ("wants a user name", "set broker.username and broker.password_file"),
    wrong_authority: ("not signed by the authority in broker.ca_file", "authority in broker.ca_file"),
    expired: ("certificate has expired", "(broker.tls)"),
    another_host: ("certificate is another host's", "see broker.host"),
    tls_to_a_plain_port: ("no TLS link", "see broker.port and broker.tls"),
    plain_to_a_tls_port: ("closed the link without an answer", "broker.tls"),
    nobody_there: ("nothing listens there", "see broker.host and broker.port"),
    nobody_there_by_ipv6: ("nothing listens there", "see broker.host and broker.port"),
    no_such_host: ("host", "see broker.host"),
}


@pytest.fixture(params=CASES, ids=lambda made: made.__name__)
def refused(request: pytest.FixtureRequest, tmp_path: Path) -> Iterator[tuple[BrokerAddress, str, str]]:
    """A broker that does not take us: its address, why, and the keys to be named."""
    with ExitStack() as stack:
        yield request.param(stack, tmp_path), *CASES[request.param]


def checked(house: House) -> Result:
    return CliRunner().invoke(commands, ["check", str(house.file), "--seconds", "0.2"])


def test_check_says_it_in_one_line(refused: tuple[BrokerAddress, str, str], tmp_path: Path) -> None:
    address, why, keys = refused
    done = checked(House(tmp_path, address))
    assert done.exit_code == 1, done.output
    bad = [line for line in done.output.splitlines() if line.startswith("BAD ")]
    assert len(bad) == 1, done.output
    assert bad[0].startswith(f"BAD  broker         broker {address}: ")
    assert why in bad[0]
    assert keys in bad[0]
    assert "\nok   signal " not in done.output


def test_it_is_said_once_while_attempts_back_off(refused: tuple[BrokerAddress, str, str]) -> None:
    address, why, keys = refused
    said: list[str] = []
    waits: list[float] = []
    connection: Connection

    def rest(wait_s: float) -> None:
        waits.append(wait_s)
        if len(waits) == ATTEMPTS:
            connection._closing.set()

    connection = Connection(address, "test", on_down=said.append, jitter=lambda: 0.5, rest=rest)
    connection.start()
    connection._thread.join(60)
    assert not connection._thread.is_alive()
    assert len(said) == 1, said
    assert why in said[0]
    assert keys in said[0]
    assert waits == [0.75 * wait for wait in (0.5, 1, 2, 4, 8, 16, 30, 30, 30, 30, 30, 30)]


def test_an_address_in_brackets_is_refused_with_a_hint(tmp_path: Path) -> None:
    done = checked(House(tmp_path, BrokerAddress("[::1]")))
    assert done.exit_code == 1
    assert "broker.host: expected a host name or address, got '[::1]'; an IPv6 address stands without brackets" in (
        done.output
    )


def test_a_ca_file_that_is_none_is_a_line_among_the_others(tmp_path: Path) -> None:
    done = checked(House(tmp_path, BrokerAddress(HOST, tls=True, ca_file=str(tmp_path / "none.pem"))))
    assert done.exit_code == 1
    lines = done.output.splitlines()
    assert any(line.startswith("BAD  broker         broker.ca_file: cannot read ") for line in lines)
    assert any(line.startswith("ok   ledger ") for line in lines), "the look goes on"


def test_a_broker_on_ipv6(tmp_path: Path) -> None:
    with socket.socket(socket.AF_INET6) as probe:
        probe.bind(("::1", 0))
        port = probe.getsockname()[1]
    with Mosquitto(tmp_path, extra=f"listener {port} ::1"), Client(BrokerAddress("::1", port), "t") as wire:
        down = Inbox()
        connection = Connection(BrokerAddress("::1", port), "test", on_down=down.put)
        connection.start()
        try:
            assert connection.wait_up(TIMEOUT_S), down.items
            assert connection.publish("t", b"heard", 1)
            wire.hears("t", b"heard")
        finally:
            connection.close()
    assert str(BrokerAddress("::1", port)) == f"[::1]:{port}"


def rights_by_client(folder: Path, heard: str) -> str:
    """Configuration of a broker that lets "brimful" subscribe to one topic and no other, and says so when asked."""
    salt = b"salt of 12 b"
    digest = hashlib.pbkdf2_hmac("sha512", b"right", salt, 101)
    rights = [
        {"acltype": kind, "topic": topic, "allow": True}
        for kind, topic in (("subscribePattern", heard), ("publishClientReceive", "#"), ("publishClientSend", "#"))
    ]
    client = {
        "username": "brimful",
        "password": base64.b64encode(digest).decode(),
        "salt": base64.b64encode(salt).decode(),
        "iterations": 101,
        "roles": [{"rolename": "ours"}],
    }
    nothing = {"publishClientSend": False, "publishClientReceive": False, "subscribe": False, "unsubscribe": True}
    document = {"defaultACLAccess": nothing, "clients": [client], "roles": [{"rolename": "ours", "acls": rights}]}
    file = folder / "rights.json"
    file.write_text(json.dumps(document))
    return f"plugin {plugin('mosquitto_dynamic_security')}\nplugin_opt_config_file {file}"


def test_a_refused_subscription_is_one_line_and_the_link_counts_as_down(tmp_path: Path) -> None:
    with Mosquitto(tmp_path, extra=rights_by_client(tmp_path, "wren/meter")) as broker:
        address = broker.address("brimful", "right")
        sentence = (
            "the broker refuses the subscription to wren/level (not authorized); "
            "see signals.tank_level_pct.topic and the broker's access rules"
        )
        done = checked(House(tmp_path, address))
        assert done.exit_code == 1
        assert f"BAD  signal         tank_level_pct: {sentence}" in done.output
        assert "grid_w: nothing heard on wren/meter in 0.2 s; see signals.grid_w.topic" in done.output

        news = Inbox()
        sources = [Source("grid_w", "wren/meter"), Source("tank_level_pct", "wren/level")]
        listener = Listener(address, sources, news.put, SteppedClock(1_780_308_000.0), jitter=lambda: 0.0)
        listener.start()
        try:
            news.wait_count(1)
            broker.kill()
            news.wait_count(3)
            broker.start()
            news.wait_count(4)
        finally:
            listener.close()
    assert news.items[0] == news.items[3] == Linked("readings", False, sentence)
    assert [item.reason for item in news.items[1:3] if isinstance(item, Linked)] == [
        "the link broke",
        "nothing listens there; is the broker running? see broker.host and broker.port",
    ]


def test_a_wrong_password_withholds_and_stands_once_in_the_daemons_log(tmp_path: Path) -> None:
    with Mosquitto(tmp_path, users={"brimful": "right", "owner": "x"}) as broker:
        house = House(tmp_path, broker.address("brimful", "wrong"))
        with Client(broker.address("owner", "x"), "#") as wire:
            try:
                house.start("link=main up=False")
                refusals = "refuses user name or password (not authorized); see broker.username and"
                give_up = broker.log().count("not authorised")
                broker.wait_for_log("not authorised", give_up + 6)  # three more attempts of each of two links
                why = json.loads(house.asks("why", "--json").stdout)
                assert (why["order"], why["guard"]) == ("withhold", "fresh")
                assert set(why["links_down"]) == {"main", "readings"}
                text = "".join(map(str, house.log.items))
                assert text.count(f"link=main up=False the broker {refusals}") == 1, text
                assert text.count(f"link=readings up=False the broker {refusals}") == 1, text
                wire.publish("end", b"")
                wire.hears("end")
                assert [message.topic for message in wire.inbox.items] == ["end"]
            finally:
                house.close()


@pytest.fixture
def secured(tmp_path: Path) -> Iterator[Mosquitto]:
    """TLS, a password for everybody, and the access rules that are deployed."""
    users = {name: f"{name}'s" for name in ("brimful", "meter", "cylinder", "diverter", "display")}
    with Mosquitto(tmp_path, users=users, acl=DEPLOYED_ACL.read_text(), tls=Authority(tmp_path).server()) as broker:
        yield broker


def deployed(folder: Path, address: BrokerAddress) -> House:
    """A house on the topics of the deployed access rules."""
    house = House(folder, address)
    text = house.file.read_text()
    for ours, theirs in {
        "wren/meter": "meter/now",
        "wren/level": "cylinder/charge",
        "wren/energy": "diverter/energy",
        "wren/permit": "diverter/permit",
    }.items():
        assert ours in text
        text = text.replace(ours, theirs)
    house.file.write_text(text)
    return house


def test_with_tls_passwords_and_access_rules_only_brimful_moves_the_heater(secured: Mosquitto, tmp_path: Path) -> None:
    def user(name: str, *topics: str) -> Client:
        return Client(secured.address(name, f"{name}'s"), *topics)

    house = deployed(tmp_path, secured.address("brimful", "brimful's"))
    with (
        user("diverter", "diverter/permit") as heater,
        user("diverter", "#") as nosy,
        user("meter") as meter,
        user("cylinder") as cylinder,
        user("display") as display,
    ):
        try:
            house.start()
            heater.hears("diverter/permit", b"no")
            cylinder.publish("cylinder/charge", "70")
            meter.publish("meter/now", "-1500")
            heater.hears("diverter/permit", b"yes")
            cylinder.publish("cylinder/charge", "96")
            heater.hears("diverter/permit", b"no", skip=2)
            for stranger in (meter, cylinder, display, heater):
                stranger.publish("diverter/permit", "yes")  # QoS 1: refused by the time this returns
            cylinder.publish("cylinder/charge", "70")
            heater.hears("diverter/permit", b"yes", skip=3)
            cylinder.publish("cylinder/charge", "96")
            heater.hears("diverter/permit", b"no", skip=4)
            told = [bytes(message.payload) for message in heater.inbox.items]
            assert told == [b"no", b"yes", b"no", b"yes", b"no"], "brimful's alone"
            nosy.inbox.wait_count(5)
            assert {message.topic for message in nosy.inbox.items} == {"diverter/permit"}, "it may read its orders only"
            shown = house.asks("check", str(house.file), "--seconds", "0.2", code=1).stdout
            assert f"ok   broker         broker {HOST}:{secured.port}: reached, MQTT 5" in shown
        finally:
            house.close()


def test_a_refused_order_is_one_line_in_the_log_and_in_check(tmp_path: Path) -> None:
    acl = DEPLOYED_ACL.read_text().replace("topic readwrite diverter/permit\n", "topic read diverter/permit\n")
    users = {name: f"{name}'s" for name in ("brimful", "meter", "cylinder", "diverter")}
    with Mosquitto(tmp_path, users=users, acl=acl) as broker:
        house = deployed(tmp_path, broker.address("brimful", "brimful's"))
        with (
            Client(broker.address("diverter", "diverter's"), "diverter/permit") as heater,
            Client(broker.address("meter", "meter's")) as meter,
            Client(broker.address("cylinder", "cylinder's")) as cylinder,
        ):
            try:
                house.start("link=main up=False")
                sentence = (
                    "the broker refuses orders on diverter/permit (not authorized); "
                    "see heaters.main.topic and the broker's access rules"
                )
                assert house.said[-1].strip().endswith(f"link=main up=False {sentence}")
                house.log.wait(lambda line: "link=readings up=True" in str(line))
                for number in range(5):  # five orders more
                    cylinder.publish("cylinder/charge", "70" if number % 2 else "96")
                    meter.publish("meter/now", "-1500")
                house.knows("tank_level_pct", 96)
                shown = house.asks("check", str(house.file), "--seconds", "0.2", code=1).stdout
                assert f"BAD  daemon         link main: {sentence}" in shown
                assert "".join(map(str, house.log.items)).count("refuses orders") == 1
                assert not heater.inbox.items
            finally:
                house.close()

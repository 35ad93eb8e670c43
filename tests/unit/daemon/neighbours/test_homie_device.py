"""The device without a broker: what it publishes, by the callbacks that its connection was given."""

import logging
from concurrent.futures import Future
from typing import Any

import pytest

from daemon.mqtt.address import BrokerAddress
from daemon.neighbours import homie_device
from daemon.neighbours.homie_device import REFUSED_S, HomieDevice
from tests.support.homes import SMALL, home
from tests.support.page_answers import why

HOME = home(SMALL)
BASE = "homie/5/brimful-wren-hut"


class Wire:
    """Stands for the connection: keeps what it was given, and what is published."""

    def __init__(self, _: BrokerAddress, __: str, **given: Any) -> None:
        self.given = given
        self.published: list[tuple[str, bytes]] = []

    def publish(self, topic: str, payload: bytes, _: int, *, retain: bool) -> None:
        self.published.append((topic, payload))

    def bring(self, topic: str, payload: bytes, retained: bool = True) -> None:
        self.given["on_message"](topic, payload, retained)


@pytest.fixture
def device(monkeypatch: pytest.MonkeyPatch) -> HomieDevice:
    monkeypatch.setattr(homie_device, "Connection", Wire)
    return HomieDevice(
        BrokerAddress("localhost"),
        lambda: HOME,
        domain="homie",
        settable=False,
        wish=lambda name, arguments: Future(),
        done=lambda: None,
        emit=lambda event: None,
    )


def cleared(device: HomieDevice) -> list[str]:
    return [topic.removeprefix(f"{BASE}/$alert/") for topic, payload in device.connection.published if not payload]  # type: ignore[attr-defined]


@pytest.mark.parametrize("shown_first", [False, True])
def test_an_alert_that_an_earlier_run_left_is_cleared_and_one_that_stands_is_not(
    device: HomieDevice, shown_first: bool
) -> None:
    alarm = {"name": "level: still", "sentence": "the level has not moved", "since": "2026-06-10T11:00:00Z"}
    if shown_first:
        device.show(why(alarms=[alarm]), None)
    device.connection.bring(f"{BASE}/$alert/gone", b"it was dark")  # type: ignore[attr-defined]
    device.connection.bring(f"{BASE}/$alert/level-still", b"the level has not moved")  # type: ignore[attr-defined]
    device.connection.bring(f"{BASE}/$alert/own", b"just published", retained=False)  # type: ignore[attr-defined]
    if not shown_first:
        assert cleared(device) == []  # which alarms stand is not known yet
        device.show(why(alarms=[alarm]), None)
    assert cleared(device) == ["gone"]
    device.show(why(alarms=[alarm]), None)
    assert cleared(device) == ["gone"]


def test_a_flood_of_refused_wishes_is_a_line_of_the_log_a_minute_and_each_is_answered(
    monkeypatch: pytest.MonkeyPatch, caplog: pytest.LogCaptureFixture
) -> None:
    monkeypatch.setattr(homie_device, "Connection", Wire)
    now_s = 0.0
    device = HomieDevice(
        BrokerAddress("localhost"),
        lambda: HOME,
        domain="homie",
        settable=True,
        wish=lambda name, arguments: Future(),
        done=lambda: None,
        emit=lambda event: None,
        mono_s=lambda: now_s,
    )
    bring = device.connection.bring  # type: ignore[attr-defined]
    with caplog.at_level(logging.WARNING):
        for number in range(1000):
            bring(f"{BASE}/tank/stop-level/set", f"hot {number}".encode(), retained=False)
        bring(f"{BASE}/tank/stop-level/set", b"90", retained=True)  # another reason
        bring(f"{BASE}/override/minutes/set", b"hot", retained=False)  # another property
        now_s = REFUSED_S
        bring(f"{BASE}/tank/stop-level/set", b"cold", retained=False)
        bring(f"{BASE}/tank/stop-level/set", b"cold", retained=False)
    assert [record.getMessage().removeprefix("homie=refused ").split(":")[0] for record in caplog.records] == [
        "tank/stop-level is not set to 'hot 0'",
        "tank/stop-level is not set to '90'",
        "override/minutes is not set to 'hot'",
        "tank/stop-level is not set to 'cold'",
    ]
    assert caplog.records[3].getMessage().endswith("1 to 100 (and 999 more before it)")
    assert len([topic for topic, _ in device.connection.published if topic.endswith("$log/warn")]) == 1004  # type: ignore[attr-defined]

"""A SunSpec device read over Modbus TCP: the reader's library against the simulator of another one.

The SunSpec Information Model Specification gives the marker "SunS" at register 40000, the models one after the other,
and int16 0x8000 for what is not implemented; points and scale factors are those of model 103.
"""

import socket

import pytest

from daemon.inputs.decode import Source
from daemon.mqtt.address import BrokerAddress
from daemon.mqtt.listener import Listener
from daemon.neighbours.readers.polling import Poller, ReadFailed, document
from daemon.neighbours.readers.sunspec import SunSpec
from daemon.timing.clock import SteppedClock
from daemon.timing.events import Heard, Linked
from tests.support.broker import Inbox, free_port
from tests.support.sunspec_device import NOT_IMPLEMENTED, UNIT, registers, sunspec_device

NOW_S = 1_780_308_000.0


def test_points_come_with_their_scale_factors_and_what_is_not_implemented_as_null() -> None:
    with sunspec_device(registers()) as port:
        device = SunSpec("127.0.0.1", port, UNIT, ["103"])
        told = device.read()
        assert told.keys() == {"103"}
        inverter = told["103"]
        assert (inverter["W"], inverter["WH"], inverter["A"]) == (2310, 5_120_000, 10)
        assert (inverter["Hz"], inverter["PF"], inverter["TmpCab"]) == (50, pytest.approx(-99.9), 41.5)
        assert inverter["VA"] is inverter["DCW"] is inverter["TmpSnk"] is None
        assert inverter["St"] == 4
        assert device.read() == told  # on the same connection
        device.close()
        everything = SunSpec("127.0.0.1", port, UNIT)
        assert everything.read()["1"]["Mn"] == "Wren Works"
        everything.close()


def test_a_model_that_comes_twice_is_told_apart() -> None:
    first = registers(power_w=2310)
    values = [*first[:-2], *registers(power_w=500)[70:]]
    with sunspec_device(values) as port:
        device = SunSpec("127.0.0.1", port, UNIT, ["103", "103.2"])
        told = device.read()
        device.close()
    assert (told["103"]["W"], told["103.2"]["W"]) == (2310, 500)


@pytest.mark.parametrize(
    ("values", "models", "said"),
    [
        (registers(), ["203"], "expected the SunSpec model 203, got a device with 1, 103"),
        ([1, 2, 3, 4, *[0] * 40], ["103"], "expected a SunSpec device's answer, got: Error scanning SunSpec base"),
    ],
)
def test_another_device_is_said_to_be_one(values: list[int], models: list[str], said: str) -> None:
    with sunspec_device(values) as port:
        device = SunSpec("127.0.0.1", port, UNIT, models)
        with pytest.raises(ReadFailed) as refused:
            device.read()
        device.close()
    assert said in str(refused.value)


def test_a_device_that_is_not_there_or_says_nothing_fails_in_its_time() -> None:
    with pytest.raises(ReadFailed, match=r"Modbus unit 1 at 127\.0\.0\.1:\d+: expected a SunSpec device's answer"):
        SunSpec("127.0.0.1", free_port(), 1).read()
    with socket.create_server(("127.0.0.1", 0)) as silent, pytest.raises(ReadFailed):
        SunSpec("127.0.0.1", silent.getsockname()[1], 1, within_s=0.2).read()


def test_its_readings_go_the_way_of_all_readings_and_a_loss_is_said_once_and_mended() -> None:
    events = Inbox()
    sources = [
        Source("pv_w", "reader:roof", pointer="/103/W", minimum=0),
        Source("car_w", "reader:roof", pointer="/103/VA"),
        Source("battery_w", "reader:roof", pointer="/103/A", scale=-230),
    ]
    nobody = BrokerAddress("127.0.0.1", free_port())
    listener = Listener(nobody, [], events.put, SteppedClock(NOW_S), polled=sources)
    with sunspec_device(registers()) as port:
        device = SunSpec("127.0.0.1", port, UNIT, ["103"], within_s=1.0)
        poller = Poller("roof", device, 10.0, lambda payload: listener.hear("reader:roof", payload), events.put)
        poller.turn()
        poller.turn()
    heard, up, again = events.items
    assert isinstance(heard, Heard)
    assert [(one.signal, one.value, one.at_s) for one in heard.readings] == [
        ("pv_w", 2310.0, NOW_S),
        ("battery_w", -2300.0, NOW_S),
    ]
    assert up == Linked("reader roof", True)
    assert again == heard
    refused = {tally.source.signal: sum(tally.refused.values()) for tally in listener.tallies}
    assert refused == {"pv_w": 0, "car_w": 2, "battery_w": 0}
    for _ in range(3):
        poller.turn()
    broken, gone = [event for event in events.items[3:] if isinstance(event, Linked)]  # and the third says nothing new
    assert not broken.up
    assert not gone.up
    assert "127.0.0.1" in gone.reason
    with sunspec_device(registers(power_w=40)) as port:
        device._where = ("127.0.0.1", port, UNIT)
        poller.turn()
        device.close()
    assert events.items[-1] == Linked("reader roof", True)


def test_what_json_cannot_say_is_null_or_text() -> None:
    assert document({"a": float("nan"), "b": [float("inf"), 1.5], "c": {"d": b"\0", 7: True}}) == (
        b'{"a": null, "b": [null, 1.5], "c": {"d": "b\'\\\\x00\'", "7": true}}'
    )
    assert NOT_IMPLEMENTED == 0x8000

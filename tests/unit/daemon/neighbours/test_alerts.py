"""Alerts: once each, with their end, whatever the way does; a real HTTP server that fails in every way it can."""

import json
import socket
import threading
import time
from collections.abc import Iterator

import pytest
from pydantic import SecretStr

from daemon.neighbours.alert_channels import Message, Notification, NotSent, Topic, Webhook
from daemon.neighbours.alerts import MOST_WAITING, Alerts, Courier
from rules.alarms import Alarm
from rules.model.reading import Moment
from tests.support.broker import Inbox
from tests.support.faulty_http import Answer, Front, front

AT_S = 1_781_092_800.0
HOT = Alarm("level-still", "the level has not moved for 3 h", 0.0)
MESSAGE = Message("Wren Hut", "2026-06-10T12:00:00Z", "alarm", "level-still", "the level has not moved for 3 h")


def at(mono_s: float) -> Moment:
    return Moment(utc_s=AT_S + mono_s, mono_s=mono_s)


class Way:
    """A way that fails as often as it is told to, then delivers."""

    name = "a way"

    def __init__(self, *faults: Exception) -> None:
        self.came = Inbox()
        self.tries = 0
        self._faults = list(faults)

    def send(self, message: Message) -> None:
        self.tries += 1
        if self._faults:
            raise self._faults.pop(0)
        self.came.put(message)

    @property
    def told(self) -> list[tuple[str, str]]:
        return [(one.kind, one.name) for one in self.came.items]  # type: ignore[attr-defined]


@pytest.fixture
def hook() -> Iterator[Front]:
    with front() as standing:
        yield standing


def started(courier: Courier) -> Alerts:
    alerts = Alerts("Wren Hut", [courier])
    alerts.start()
    return alerts


def test_an_alarm_is_told_once_when_it_begins_and_once_when_it_ends() -> None:
    way = Way()
    alerts = started(Courier(way))
    for second in range(5):
        alerts.look([HOT], {"ledger": ""}, at(second))
    alerts.look([HOT], {"ledger": "the disk is full"}, at(10))
    alerts.look([HOT], {"ledger": "the disk is still full"}, at(20))
    alerts.look([], {"ledger": ""}, at(3800))
    way.came.wait_count(4)
    alerts.stop()
    assert way.told == [
        ("alarm", "level-still"), ("alarm", "ledger"), ("recovered", "level-still"), ("recovered", "ledger"),
    ]  # fmt: skip
    first: Message = way.came.items[0]  # type: ignore[assignment]
    assert json.loads(first.document) == {
        "schema": "brimful.alert/1",
        "home": "Wren Hut",
        "at": "2026-06-10T12:00:00Z",
        "kind": "alarm",
        "name": "level-still",
        "sentence": "the level has not moved for 3 h",
    }


def test_one_that_comes_and_goes_is_told_hourly_at_most() -> None:
    way = Way()
    alerts = started(Courier(way))
    for minute in range(50):
        alerts.look([HOT] if minute % 2 == 0 else [], {}, at(60.0 * minute))
    way.came.wait_count(2)
    alerts.stop()
    assert way.told == [("alarm", "level-still"), ("recovered", "level-still")]


def test_a_way_may_take_alarms_alone() -> None:
    way = Way()
    alerts = started(Courier(way, what=("alarm",)))
    alerts.look([HOT], {}, at(0))
    alerts.look([], {}, at(10))
    alerts.stop()
    assert way.told == [("alarm", "level-still")]


def test_what_fails_is_tried_again_a_bounded_number_of_times_and_the_next_goes_all_the_same() -> None:
    way = Way(*(NotSent("it is down") for _ in range(3)), ZeroDivisionError())
    alerts = started(Courier(way, pauses_s=(0.0, 0.0, 0.0)))
    alerts.look([HOT], {}, at(0))
    alerts.look([HOT, Alarm("second", "another", 0.0)], {}, at(1))
    way.came.wait_count(1)
    alerts.stop()
    assert (way.tries, way.told, alerts.faults) == (5, [("alarm", "second")], [])


def test_what_no_attempt_will_mend_is_given_up_at_once() -> None:
    way = Way(NotSent("status 404", again=False))
    alerts = started(Courier(way, pauses_s=(0.0, 0.0)))
    alerts.look([HOT], {}, at(0))
    alerts.look([HOT, Alarm("second", "another", 0.0)], {}, at(1))
    way.came.wait_count(1)
    alerts.stop()
    assert (way.tries, way.told) == (2, [("alarm", "second")])


def test_a_way_that_does_not_deliver_is_a_fault() -> None:
    way = Way(NotSent("it is not installed", again=False))
    alerts = started(Courier(way))
    alerts.look([HOT], {}, at(0))
    alerts.stop()
    assert alerts.faults == ["alerts by a way: it is not installed"]


def test_more_than_can_wait_lets_the_oldest_go() -> None:
    courier = Courier(Way())
    for number in range(MOST_WAITING + 3):
        courier.put(Message("Wren Hut", "", "alarm", str(number), ""))
    assert courier.let_go == 3


def test_a_webhook_gets_json_and_the_token(hook: Front) -> None:
    Webhook(f"{hook.url}/hook?key=k1", SecretStr("t0ken")).send(MESSAGE)
    assert json.loads(hook.posts[0]) == json.loads(MESSAGE.document)
    path, headers = hook.heads[0]
    assert path == "/hook?key=k1"
    assert (headers["content-type"], headers["authorization"]) == ("application/json", "Bearer t0ken")


@pytest.mark.parametrize(
    ("answer", "again"),
    [
        (Answer(500), True), (Answer(503), True), (Answer(429), True), (Answer(None), True), (Answer(404), False),
        (Answer(401), False), (Answer(301, {"Location": "http://other.example/"}), False),
    ],
    ids=lambda value: str(getattr(value, "status", value)),
)  # fmt: skip
def test_a_webhook_that_does_not_take_it_says_why_without_its_secrets(hook: Front, answer: Answer, again: bool) -> None:
    hook.script.append(answer)
    webhook = Webhook(f"{hook.url}/hook?key=k1", SecretStr("t0ken"))
    with pytest.raises(NotSent) as refused:
        webhook.send(MESSAGE)
    assert refused.value.again is again
    assert not {secret for secret in ("k1", "t0ken", "/hook") if secret in str(refused.value) + webhook.name}


def test_a_webhook_that_hangs_or_drips_holds_nobody() -> None:
    """It answers a letter now and then, for ever: the attempt ends in its time, and the loop never waits for it."""
    with socket.create_server(("127.0.0.1", 0)) as server:
        over = threading.Event()

        def drip() -> None:
            link, _ = server.accept()
            with link:
                link.sendall(b"HTTP/1.1 200 OK\r\nX-Slow: ")
                while not over.wait(0.05):
                    try:
                        link.sendall(b"z")
                    except OSError:
                        return

        dripping = threading.Thread(target=drip)
        dripping.start()
        webhook = Webhook(f"http://127.0.0.1:{server.getsockname()[1]}/", within_s=0.5)
        courier = Courier(webhook, pauses_s=())
        alerts = started(courier)
        began_s = time.monotonic()
        alerts.look([HOT], {}, at(0))
        assert time.monotonic() - began_s < 0.4
        courier._over.set()  # after this attempt no more
        courier._thread.join(20)
        assert not courier._thread.is_alive()
        assert alerts.faults[0].startswith("alerts by webhook at 127.0.0.1: expected the whole answer within 0.5 s")
        over.set()
        dripping.join()


def test_a_topic_is_published_to_or_tried_again() -> None:
    told: list[tuple[str, bytes, int]] = []
    Topic("house/alerts", lambda *message: told.append(message) is None).send(MESSAGE)
    assert told == [("house/alerts", MESSAGE.document, 1)]
    with pytest.raises(NotSent, match="link to the broker is down"):
        Topic("house/alerts", lambda *message: False).send(MESSAGE)


@pytest.mark.filterwarnings("ignore:'imghdr' is deprecated:DeprecationWarning")  # the library's, as it is imported
def test_the_notification_library_delivers_and_its_addresses_stay_secret(hook: Front) -> None:
    """By the library's plain JSON POST to a local server."""
    url = f"json://user:pa55@{hook.url.removeprefix('http://')}/notify"
    Notification([SecretStr(url)]).send(MESSAGE)
    told = json.loads(hook.posts[0])
    assert (told["title"], told["message"]) == ("Wren Hut: alarm", MESSAGE.sentence)
    hook.always = Answer(500)
    for bad in (url, "nonsense"):
        with pytest.raises(NotSent) as refused:
            Notification([SecretStr(bad)]).send(MESSAGE)
        assert "pa55" not in str(refused.value)

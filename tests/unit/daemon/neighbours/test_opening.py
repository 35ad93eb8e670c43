"""From the home file to its neighbours, and what they hand the loop."""

import json
import subprocess
import sys
from pathlib import Path

import pytest

from daemon.mqtt.address import BrokerAddress
from daemon.neighbours.alert_channels import Message, Notification, Topic, Webhook
from daemon.neighbours.opening import Neighbours, Ways, open_neighbours
from daemon.timing.clock import SteppedClock
from daemon.timing.events import Ask, Due, Linked
from rules.alarms import Alarm
from rules.model.errors import BrimfulError
from tests.support.broker import Inbox, free_port
from tests.support.homes import SMALL, home
from tests.support.page_answers import why
from tests.support.plug_ins import example

REPO = Path(__file__).parents[4]
MESSAGE = Message("Wren Hut", "2026-06-10T12:00:00Z", "alarm", "hot", "it is hot")
ALERTS = """
[[alerts]]
kind = "mqtt"
topic = "hut/alerts"
what = ["alarm"]

[[alerts]]
kind = "webhook"
url = "https://hooks.example.org/x?k=1"
token_file = "TOKEN"

[[alerts]]
kind = "notify"
urls_file = "URLS"
"""
READERS = """
[readers.roof]
kind = "sunspec"
host = "127.0.0.1"
port = PORT

[readers.meter]
kind = "telegrams"
format = "dsmr"
device = "no-such-port"

[readers.sun]
kind = "forecast"
source = "clear_sky"
options = { latitude_deg = 53.3, area_m2 = 18 }

[signals.pv_w]
topic = "reader:roof"
pointer = "/103/W"

[signals.import_wh]
topic = "reader:meter"
pointer = "/1-0:1.8.0"

[signals.forecast_pv_wh]
topic = "reader:sun"
pointer = "/tomorrow"
stale_after_s = 86400
"""


class Opened:
    """A home's neighbours, what they gave the loop, published and heard."""

    def __init__(self, text: str) -> None:
        made = home(text)
        self.events, self.published, self.heard = Inbox(), Inbox(), Inbox()

        def publish(topic: str, payload: bytes, qos: int) -> bool:
            self.published.put(topic, payload, qos)
            return True

        clock = SteppedClock(1_781_092_800.0)
        ways = Ways(lambda: made, self.events.put, publish, self.heard.put, clock)
        self.now = clock.now()
        self.all: Neighbours = open_neighbours(BrokerAddress("127.0.0.1", free_port()), ways)


def secret(path: Path, text: str) -> Path:
    path.write_text(text)
    path.chmod(0o600)
    return path


def test_a_home_without_them_has_none_and_nobody_looks() -> None:
    opened = Opened(SMALL)
    assert (opened.all.homie, opened.all.pollers, opened.all.faults) == (None, [], [])
    assert not opened.all.want_to_see


def test_each_alert_goes_its_way_with_its_secret_from_its_file(tmp_path: Path) -> None:
    token, urls = secret(tmp_path / "token", "t0ken\n"), secret(tmp_path / "urls", "# mine\njson://a\n\nxml://b\n")
    opened = Opened(SMALL + ALERTS.replace("TOKEN", str(token)).replace("URLS", str(urls)))
    topic, webhook, notify = (courier.channel for courier in opened.all.alerts.couriers)
    assert isinstance(topic, Topic)
    assert isinstance(webhook, Webhook)
    assert webhook.token is not None
    assert (webhook.name, webhook.token.get_secret_value()) == ("webhook at hooks.example.org", "t0ken")
    assert isinstance(notify, Notification)
    assert [url.get_secret_value() for url in notify.urls] == ["json://a", "xml://b"]
    assert "t0ken" not in repr(opened.all.alerts)
    (first, *_) = opened.all.alerts.couriers
    first.start()
    opened.all.show(why(), None, [Alarm("hot", "it is hot", opened.now.mono_s)], {}, opened.now)
    opened.published.wait_count(1)
    first.stop()
    name, payload, qos = opened.published.items[0]  # type: ignore[misc]
    assert (name, json.loads(payload)["sentence"], qos) == ("hut/alerts", "it is hot", 1)


def test_a_secret_that_others_can_read_is_refused(tmp_path: Path) -> None:
    token, urls = secret(tmp_path / "token", "t0ken\n"), secret(tmp_path / "urls", "# only a comment\n")
    text = SMALL + ALERTS.replace("TOKEN", str(token)).replace("URLS", str(urls))
    with pytest.raises(BrimfulError, match=r"alerts\[#3\]\.urls_file: expected lines of text"):
        Opened(text)
    token.chmod(0o644)
    with pytest.raises(BrimfulError, match=r"alerts\[#2\]\.token_file: expected a file that only its owner can read"):
        Opened(text)


def test_a_homie_wish_becomes_a_question_to_the_loop_and_its_answer_is_published() -> None:
    opened = Opened(SMALL + "[homie]\nsettable = true\n")
    assert opened.all.homie is not None
    assert opened.all.want_to_see
    base = "homie/5/brimful-wren-hut"
    opened.all.homie._heard(f"{base}/tank/stop-level/set", b"90", False)
    asked = opened.events.items[0]
    assert isinstance(asked, Ask)
    assert (asked.name, asked.arguments) == ("rule", {"rule": "full", "set": {"stop_at_pct": "90"}})
    asked.answer.set_result({})
    assert opened.events.items[1:] == [Due("publish")]


def test_readers_hand_over_what_they_read_by_their_own_topic(tmp_path: Path) -> None:
    opened = Opened(SMALL + READERS.replace("PORT", str(free_port())))
    roof, meter, sun = opened.all.pollers
    for poller in (roof, meter):
        poller.turn()
    with example(tmp_path, "forecast_source"):
        sun.turn()
    lost_roof, lost_meter, well = opened.events.items
    assert isinstance(lost_roof, Linked)
    assert isinstance(lost_meter, Linked)
    assert (lost_roof.name, lost_roof.up, lost_meter.name) == ("reader roof", False, "reader meter")
    assert well == Linked("reader sun", True)
    topic, payload = opened.heard.items[0]  # type: ignore[misc]
    assert topic == "reader:sun"
    assert json.loads(payload).keys() == {"today", "tomorrow"}


def test_no_library_of_an_extra_is_imported_before_it_is_needed() -> None:
    """As a daemon starts whose home file names every kind."""
    program = (
        "import sys; from tests.unit.daemon.neighbours import test_opening as here;"
        "here.Opened(here.SMALL + here.READERS.replace('PORT', '1') + '[homie]\\n');"
        "print({'apprise', 'serial', 'smllib', 'sunspec2', 'prometheus_client'} & set(sys.modules))"
    )
    ran = subprocess.run(
        [sys.executable, "-c", program], capture_output=True, text=True, timeout=60, check=False, cwd=REPO
    )
    assert (ran.stdout, ran.stderr) == ("set()\n", "")

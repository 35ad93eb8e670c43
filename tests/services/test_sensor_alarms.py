"""A sensor or device of the simulated house breaks and is mended: the alarm and its end over a real broker, in the
ledger, and in `check`.
"""

import json
import re
from collections.abc import Callable, Iterator
from concurrent.futures import Future
from pathlib import Path
from typing import Any

import paho.mqtt.client as paho
import pytest
from click.testing import CliRunner

import daemon.demo
from accounting.ledger import Ledger
from daemon.assembly.prepared_home import prepare
from daemon.cli.main import commands
from daemon.config.load import load
from daemon.demo.runner import STEP_S, DemoRun
from daemon.mqtt.embedded_broker import EmbeddedBroker
from daemon.timing.events import Ask
from tests.support.broker import Client, free_port

pytestmark = pytest.mark.services

NOON_S = 1_781_089_200.0  # 2026-06-10T11:00:00Z, noon in Dublin
STATE = "brimful/larch-cottage/state"


class Story:
    """The demo's house with a broken part, told until an alarm stands and until it has gone."""

    def __init__(self, folder: Path) -> None:
        text = (Path(daemon.demo.__file__).parent / "home.toml").read_text()
        for was, becomes in (
            (r"minimum_level_pct = .*\nmaximum_discharge_w = .*", ""),  # neither battery nor prices stop diversion
            (r"(\[rules.worth\].*\nenabled =) true", r"\1 false"),
            (r"volume_l = 180", "volume_l = 20"),  # so that it is soon filled over and over
        ):
            text, count = re.subn(was, becomes, text)
            assert count == 1
        self.file = folder / "home.toml"
        self.file.write_text(f"{text}\n[api]\nport = {free_port()}\n")
        self.plan = prepare(load(self.file))
        self.broker = EmbeddedBroker(kind="mosquitto")

    def __enter__(self) -> "Story":
        address = self.broker.__enter__().address
        self.run = DemoRun(self.plan, address, 1, NOON_S)
        self.house = self.run.house
        self.observer = Client(address, STATE)
        self.observer.__enter__()
        self._readings = self.house.readings
        self._said = 0
        self._steps = self.run.steps(10_000)
        self.step(30)
        return self

    def __exit__(self, *_: object) -> None:
        self._steps.close()  # type: ignore[attr-defined]
        self.observer.__exit__()
        self.broker.__exit__(None, None, None)

    def step(self, count: int = 1) -> None:
        for _ in range(count):
            next(self._steps)

    @property
    def standing(self) -> list[str]:
        return [alarm.name for alarm in self.run.service.controller.alarms]

    def tells(self, topic: str, **fields: Any) -> None:
        """From now on these fields of a topic's payload are false; a function is given the true value."""

        def told() -> dict[str, bytes]:
            payloads = self._readings()
            document = json.loads(payloads[topic])
            for name, value in fields.items():
                document[name] = value(document[name]) if callable(value) else value
            return {**payloads, topic: json.dumps(document).encode()}

        self.house.readings = told  # type: ignore[method-assign]

    def mend(self) -> None:
        self.house.readings = self._readings  # type: ignore[method-assign]

    def until(self, name: str, stands: bool, longest_s: float, words: str) -> None:
        """Live on until the alarm stands or has gone, and the state on MQTT says so."""
        for _ in range(int(longest_s / STEP_S) + 1):
            if (name in self.standing) is stands:
                break
            self.step()
        else:
            raise AssertionError(f"{name}: {'never came' if stands else 'never went'}; standing: {self.standing}")
        inbox = self.observer.inbox
        said = inbox.wait(lambda message: stands is any(words in said for said in alarms(message)), skip=self._said)
        self._said = inbox.items.index(said, self._said) + 1

    def breaks_and_is_mended(
        self, name: str, words: str, longest_s: float, mend: Callable[[], None], mended_s: float
    ) -> None:
        self.until(name, True, longest_s, words)
        checked = CliRunner().invoke(commands, ["check", str(self.file), "--json"])
        assert checked.exit_code == 1
        lines = [line for line in json.loads(checked.stdout)["checks"] if line["name"] == "alarm"]
        assert any(words in line["sentence"] and line["sentence"].startswith(f"{name}: ") for line in lines)
        assert not any(line["ok"] for line in lines)
        mend()
        self.until(name, False, mended_s, words)

    def owner(self, order: str) -> None:
        ask: Future[Any] = Future()
        self.run.service.loop.put(Ask("override", {"order": order, "for_s": 86_400}, ask))
        ask.result(10)

    def events(self, name: str) -> list[tuple[str, str]]:
        """What the ledger says of it once the daemon has ended."""
        self._steps.close()  # type: ignore[attr-defined]
        with Ledger.open_reader(self.plan.home.path_of(self.plan.home.ledger.path)) as ledger:
            return [(event.kind, event.sentence) for event in ledger.events(0, 2**40) if event.name == name]


def alarms(message: object) -> list[str]:
    assert isinstance(message, paho.MQTTMessage)
    return list(json.loads(message.payload)["alarms"])


@pytest.fixture
def story(tmp_path: Path) -> Iterator[Story]:
    with Story(tmp_path) as told:
        assert told.standing == []
        yield told


def test_a_frozen_level(story: Story) -> None:
    story.tells("house/tank", level=43.0)
    story.breaks_and_is_mended("level frozen", "tank level has read 43 % since", 4 * 3600, story.mend, 20)
    (alarm, alarm_said), (recovered, recovered_said) = story.events("level frozen")
    assert (alarm, recovered) == ("alarm", "recovered")
    assert "more than the whole tank can hold: the heater stays off until it reads another value" in alarm_said
    assert re.match(r"recovered after \d h( \d+ min)?: tank level has read 43 % since ", recovered_said)


def test_a_level_that_jumps(story: Story) -> None:
    for _ in range(3):
        story.tells("house/tank", level=100.0)
        story.step()
        story.mend()
        story.step(6)
    story.breaks_and_is_mended("level jumping", "tank level has jumped 3 times within 2 min", 10, story.mend, 3700)
    assert [kind for kind, _ in story.events("level jumping")] == ["alarm", "recovered"]


def test_a_level_that_is_unavailable_and_comes_back(story: Story) -> None:
    story.tells("house/tank", level="unavailable")
    words = "no level heard for more than 10 min: nothing is diverted until it is heard again"
    story.until("level silent", True, 700, words)
    story.step(30)
    story.mend()
    story.until("level silent", False, 10, words)
    assert story.events("level silent") == [("alarm", words), ("recovered", f"recovered after 5 min: {words}")]


def test_a_level_that_flaps_is_told_hourly(story: Story) -> None:
    for _ in range(7):
        story.tells("house/tank", level="unavailable")
        story.until("level silent", True, 700, "no level heard")
        story.mend()
        story.until("level silent", False, 10, "no level heard")
    assert [kind for kind, _ in story.events("level silent")] == ["alarm", "recovered"] * 2  # 70 minutes


def test_a_surplus_that_stands_still(story: Story) -> None:
    story.tells("house/meter", w=-800)
    story.breaks_and_is_mended("surplus frozen", "the surplus has read 800 W since", 4 * 3600, story.mend, 130)
    assert [kind for kind, _ in story.events("surplus frozen")] == ["alarm", "recovered"]


def test_a_surplus_of_the_wrong_sign(story: Story) -> None:
    """A heater that takes 1,500 W whenever it may, and an owner who switches it."""
    diverter = story.house.diverter
    diverter.power_w = lambda spare_w, now_s: 1500.0 if diverter.permitted(now_s) else 0.0  # type: ignore[method-assign]
    story.tells("house/meter", w=lambda watts: -watts)

    def switched(times: int) -> None:
        for time in range(times):
            story.owner("surplus" if time % 2 else "withhold")
            story.step(30)

    switched(12)
    words = "reverse the sign of signals.grid_w.scale in the home file, then restart"

    def mend() -> None:
        story.mend()
        switched(4)

    story.breaks_and_is_mended("surplus sign", words, 10, mend, 10)
    assert [kind for kind, _ in story.events("surplus sign")] == ["alarm", "recovered"]


def test_a_switch_that_is_stuck(story: Story) -> None:
    diverter = story.house.diverter
    whole = diverter.power_w
    diverter.power_w = lambda spare_w, now_s: 1500.0  # type: ignore[method-assign]

    def mend() -> None:
        diverter.power_w = whole  # type: ignore[method-assign]

    story.owner("withhold")
    story.breaks_and_is_mended("withheld but drawing", "though it is withheld", 600, mend, 30)
    assert [kind for kind, _ in story.events("withheld but drawing")] == ["alarm", "recovered"]


def test_a_cut_out_that_has_tripped(story: Story) -> None:
    story.house.lower.tripped = True
    story.breaks_and_is_mended(
        "permitted but idle", "has taken nothing 2 times", 3 * 3600, story.house.lower.reset_cut_out, 2 * 3600
    )
    assert [kind for kind, _ in story.events("permitted but idle")] == ["alarm", "recovered"]


def test_a_whole_house_raises_none_of_them(story: Story) -> None:
    story.step(2000)
    assert story.standing == []

"""The first hour on a real broker: listening, a home file begun from it, and what check says of that file."""

import json
import threading
from collections.abc import Iterator
from pathlib import Path

import pytest
from click.testing import CliRunner

from daemon.cli.main import commands
from daemon.config.load import load
from tests.support.broker import Client, Mosquitto, free_port

pytestmark = pytest.mark.services


@pytest.fixture
def broker(tmp_path: Path) -> Iterator[Mosquitto]:
    with Mosquitto(tmp_path, users={"brim": "sesame"}) as running:
        yield running


class _Devices(threading.Thread):
    """A house that says the same every tenth of a second until it is left."""

    def __init__(self, wire: Client) -> None:
        super().__init__(daemon=True)
        self._wire = wire
        self._left = threading.Event()

    def run(self) -> None:
        energy_wh = 5000
        while not self._left.wait(0.1):
            energy_wh += 1
            self._wire.publish("wren/meter", '{"power": {"kw": -1.21}}')
            self._wire.publish("wren/tank/level", "61%")
            self._wire.publish("wren/diverter/energy", f"{energy_wh} Wh")

    def leave(self) -> None:
        self._left.set()
        self.join(10)


def test_from_a_broker_to_a_home_file_that_check_knows(broker: Mosquitto, tmp_path: Path) -> None:
    secret, new = tmp_path / "secret", tmp_path / "new.toml"
    secret.touch(0o600)
    secret.write_text("sesame\n")
    with Client(broker.address("brim", "sesame"), "nothing") as wire:
        devices = _Devices(wire)
        devices.start()
        asked = ["listen", "--host", "127.0.0.1", "--port", str(broker.port), "--seconds", "2"]
        asked += ["--username", "brim", "--password-file", str(secret), "--write", str(new), "--json"]
        done = CliRunner().invoke(commands, asked)
        assert done.exit_code == 0, done.output
        told = json.loads(done.stdout)
        found = {one["signal"]: (one["topic"], one["pointer"], one["scale"]) for one in told["signals"]}
        assert found == {
            "grid_w": ("wren/meter", "/power/kw", 1000),
            "tank_level_pct": ("wren/tank/level", "", 1),
            "diverted_wh": ("wren/diverter/energy", "", 1),
        }
        assert told["topics"]["wren/meter"]["period_s"] == pytest.approx(0.1, abs=0.09)
        assert told["topics"]["wren/meter"]["pointers"] == ["/power/kw"]
        assert f"written: {new}, with 3 signals guessed" in " ".join(done.stderr.split())

        home = load(new)
        assert home.watches
        assert home.broker is not None
        assert home.broker.password_file == "secret"
        assert "sesame" not in new.read_text()

        new.write_text(f"{new.read_text()}\n[api]\nport = {free_port()}\n")
        report = tmp_path / "report.txt"
        done = CliRunner().invoke(commands, ["check", str(new), "--seconds", "5", "--json", "--report", str(report)])
        lines = [line["sentence"] for line in json.loads(done.stdout)["checks"] if line["name"] == "signal"]
        assert any(line.startswith("grid_w: -1210 W from wren/meter, heard ") for line in lines), lines
        assert any("mode" in line["name"] for line in json.loads(done.stdout)["checks"])
        text = report.read_text()
        assert "wren/tank/level" in text
        for hidden in ("sesame", "127.0.0.1", '"brim"', str(tmp_path)):
            assert hidden not in text, hidden

        again = CliRunner().invoke(commands, [*asked, "--seconds", "0.1"])
        assert isinstance(again.exception, Exception)
        assert "--force" in str(again.exception)
        devices.leave()

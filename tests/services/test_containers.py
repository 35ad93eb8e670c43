"""The image and the compose file, started: by a Docker of its own in a booted Debian of its own.

No registry of images is asked. What the Dockerfile and the compose file call `python:3.11-slim`, `eclipse-mosquitto`
and `victoriametrics/victoria-metrics` are stand-ins of the same names, made from Debian's packages of the same
programs; the dashboard server has none and is left out. Needs what `test_booted_root.py` needs.
"""

import json
import shutil
import time
from collections.abc import Callable, Iterator
from pathlib import Path

import pytest

from tests.support.debian_root import CERTIFICATES, SOURCE, Machine, booted, bootstrap, debian

pytestmark = [pytest.mark.services, pytest.mark.long]
WITHIN_S = 600.0
BASE = "python:3.11-slim"
STAND_INS = {
    "eclipse-mosquitto:2.0": (
        "mosquitto mosquitto-clients",
        '["/usr/sbin/mosquitto", "-c", "/mosquitto/config/mosquitto.conf"]',
        "CMD",
    ),
    "victoriametrics/victoria-metrics:v1.79.5": ("victoria-metrics", '["/usr/bin/victoria-metrics"]', "ENTRYPOINT"),
}
HOME = """
[home]
name = "Wren Hut"
timezone = "Europe/Lisbon"
currency = "EUR"

[signals.grid_w]
topic = "meter/power"

[signals.tank_level_pct]
topic = "cylinder/level"

[signals.diverted_wh]
topic = "diverter/energy"

[heaters.main]
kind = "gate"
rated_w = 2000
topic = "diverter/permit"
orders = { withhold = "0", surplus = "1" }

[broker]
host = "broker"
username = "brimful"
password_file = "secrets/broker"

[timeseries]
kind = "victoriametrics"
url = "http://series:8428"
"""
FETCHING = {"bridge": "none", "iptables": False, "ip6tables": False, "ip-forward": False}
"""Docker's settings while images are made, by the machine's network, of which nothing is changed."""

ALONE = """[Service]
ExecStart=
ExecStart=unshare --net sh -c 'ip link set lo up && exec dockerd -H fd:// --containerd=/run/containerd/containerd.sock'
"""
"""Docker's service with a network of its own. (systemd's PrivateNetwork would keep its mounts from containerd.)"""


@pytest.fixture
def root(tmp_path: Path) -> Iterator[Path]:
    packages = ("systemd", "systemd-sysv", "docker.io", "docker-cli", "docker-compose", "iptables", "iproute2")
    place = bootstrap(tmp_path, *packages, suite="trixie")  # the first Debian with `docker compose`
    (place / "etc/docker").mkdir(exist_ok=True)
    (place / "etc/docker/daemon.json").write_text(json.dumps(FETCHING))
    base = debian(place / "srv/base", "python-is-python3", suite="bookworm")  # with Python 3.11
    (base / "etc/pip.conf").write_text(f"[global]\ncert = {CERTIFICATES}\n")
    for name, (packaged, command, kind) in STAND_INS.items():
        folder = place / "srv" / name.partition(":")[0].replace("/", "-")
        folder.mkdir()
        fetched = f"RUN apt-get update && apt-get install --yes --no-install-recommends {packaged}"
        (folder / "Dockerfile").write_text(f"FROM {BASE}\n{fetched}\n{kind} {command}\n")
    (place / SOURCE[1:] / "deploy/house").mkdir()
    (place / SOURCE[1:] / "deploy/house/home.toml").write_text(HOME)
    yield place
    shutil.rmtree(place)


def wait_for(what: Callable[[], bool], machine: Machine) -> None:
    until = time.monotonic() + WITHIN_S
    while not what():
        assert time.monotonic() < until, compose(machine, "logs", "--tail=30")
        time.sleep(1.0)


def must(machine: Machine, *command: str) -> str:
    done = machine.run(*command)
    assert done.returncode == 0, done.stdout + done.stderr
    return done.stdout


def compose(machine: Machine, *command: str) -> str:
    return must(machine, "docker", "compose", "--project-directory", f"{SOURCE}/deploy", *command)


def build(machine: Machine, tag: str, folder: str, *more: str) -> None:
    must(machine, "env", "DOCKER_BUILDKIT=0", "docker", "build", "--network", "host", "--tag", tag, *more, folder)


def state(machine: Machine, service: str) -> dict[str, object]:
    found: dict[str, object] = json.loads(compose(machine, "ps", "--all", "--format", "json", service).splitlines()[0])
    return found


def test_the_compose_file_runs_a_house(root: Path) -> None:
    deploy = root / SOURCE[1:] / "deploy"
    with booted(root) as machine:
        must(machine, "bash", "-c", f"tar -C /srv/base -c --exclude=./proc --exclude=./sys . | docker import - {BASE}")
        for name in STAND_INS:
            build(machine, name, f"/srv/{name.partition(':')[0].replace('/', '-')}")
        build(machine, "brimful-brimful", SOURCE, "--file", f"{SOURCE}/deploy/Dockerfile")
        # From here on Docker has a network of its own, with bridges and packet filters as it likes them.
        (root / "etc/docker/daemon.json").write_text("{}")
        alone = root / "etc/systemd/system/docker.service.d/alone.conf"
        alone.parent.mkdir(parents=True)
        alone.write_text(ALONE)
        must(machine, "systemctl", "daemon-reload")
        must(machine, "systemctl", "restart", "docker")

        must(machine, f"{SOURCE}/deploy/broker-passwords")
        compose(machine, "up", "--detach", "broker", "series", "brimful")

        def publish(name: str, topic: str, payload: str) -> str:
            said = ("-u", name, "-P", (deploy / "broker-secrets" / name).read_text(), "-t", topic, "-m", payload)
            return compose(machine, "exec", "-T", "broker", "mosquitto_pub", *said, "-q", "1", "-V", "5")

        def diverts() -> bool:
            publish("meter", "meter/power", "-1500")
            publish("cylinder", "cylinder/level", "50")
            why = json.loads(compose(machine, "exec", "-T", "brimful", "brimful", "why", "--json"))
            return bool(why["order"] == "surplus")

        wait_for(lambda: "running home" in compose(machine, "logs", "brimful"), machine)
        wait_for(diverts, machine)
        asked = "import urllib.request as r; print(r.urlopen('http://series:8428/health', timeout=30).read().decode())"
        assert compose(machine, "exec", "-T", "brimful", "python", "-c", asked).strip() == "OK"
        wait_for(lambda: state(machine, "brimful")["Health"] == "healthy", machine)

        compose(machine, "stop", "brimful")
        assert state(machine, "brimful")["ExitCode"] == 0
        compose(machine, "down")
        assert (deploy / "house/brimful.sqlite").stat().st_uid == 10_001

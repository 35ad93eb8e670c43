"""What the containers are made from, as far as it can be tried without them: formats, and the dashboards' queries."""

import json
import os
import shutil
import subprocess
import sys
from base64 import b64decode
from hashlib import pbkdf2_hmac
from pathlib import Path
from typing import Any

import pytest
import yaml

from accounting.timeseries import Target, open_writer, point
from tests.support.ledgers import START_S, entry
from tests.support.servers import victoria_metrics

pytestmark = pytest.mark.services
DEPLOY = Path(__file__).parents[2] / "deploy"
COMPOSE = yaml.safe_load((DEPLOY / "compose.yaml").read_text())
BOOKS: dict[str, Any] = json.loads((DEPLOY / "dashboards" / "books.json").read_text())
RANGE_S = 2 * 86_400


def _says_nothing(*command: str) -> None:
    done = subprocess.run(command, cwd=DEPLOY, capture_output=True, text=True, timeout=120, check=False)
    assert done.returncode == 0, done.stdout + done.stderr


def test_the_compose_file_follows_its_schema() -> None:
    _says_nothing(sys.executable, "-m", "check_jsonschema", "--builtin-schema", "vendor.compose-spec", "compose.yaml")


def test_the_dockerfile_passes_its_linter() -> None:
    linter = shutil.which("hadolint", path=str(Path(sys.executable).parent))
    if linter is None:
        pytest.skip("the linter is packaged for x86-64 alone")
    _says_nothing(linter, "--failure-threshold", "warning", "Dockerfile")


def test_what_the_compose_file_mounts_is_there_or_made_before_the_first_start() -> None:
    for name, service in COMPOSE["services"].items():
        assert service["cap_drop"] == ["ALL"], name
        assert all(port.startswith("127.0.0.1:") for port in service.get("ports", ())), name
        for volume in service.get("volumes", ()):
            source = volume.split(":")[0]
            if source.startswith("./") and source != "./house":
                assert (DEPLOY / source).is_file(), source
            elif not source.startswith("./"):
                assert source in COMPOSE["volumes"], source
        for secret in service.get("secrets", ()):
            assert secret in COMPOSE["secrets"]


def test_the_dashboards_source_is_the_database_of_the_compose_file() -> None:
    (source,) = yaml.safe_load((DEPLOY / "dashboards" / "source.yaml").read_text())["datasources"]
    assert source["url"].split("/")[2].split(":")[0] in COMPOSE["services"]
    named = {panel["datasource"]["uid"] for panel in BOOKS["panels"]}
    named |= {target["datasource"]["uid"] for panel in BOOKS["panels"] for target in panel["targets"]}
    assert named == {source["uid"]}


def test_each_panel_says_what_it_shows_and_none_lies_on_another() -> None:
    taken: set[tuple[int, int]] = set()
    for panel in BOOKS["panels"]:
        assert len(panel["description"].split()) > 5, panel["title"]
        at = panel["gridPos"]
        cells = {(x, y) for x in range(at["x"], at["x"] + at["w"]) for y in range(at["y"], at["y"] + at["h"])}
        assert not cells & taken, panel["title"]
        assert at["x"] + at["w"] <= 24
        taken |= cells
    assert len({panel["id"] for panel in BOOKS["panels"]}) == len(BOOKS["panels"])


def test_each_query_answers_on_a_real_database_and_the_totals_are_the_books(tmp_path: Path) -> None:
    booked = [entry(place, 500 + place, estimated_wh=50) for place in range(96)]
    end_s = START_S + RANGE_S
    with victoria_metrics(tmp_path) as server:
        writer = open_writer(Target("victoriametrics", server.url))
        writer.send([point(one, "Quay Cottage") for one in booked])
        writer.close()
        assert server.get("/internal/force_flush").status == 200

        def answer(expr: str, home: str = ".*") -> list[Any]:
            query = expr.replace("$__range", f"{RANGE_S}s").replace("$home", home)
            # A range leaves its first instant out: an interval dated by its start is in the range that begins there.
            got = server.get("/api/v1/query", query=query, time=str(end_s - 1), nocache="1")
            assert got.status == 200, (expr, got.data)
            return list(json.loads(got.data)["data"]["result"])

        found = {}
        for panel in BOOKS["panels"]:
            for target in panel["targets"]:
                results = answer(target["expr"])
                assert len(results) == 1, target["expr"]
                found[panel["title"], target["legendFormat"]] = float(results[0]["value"][1])
                assert answer(target["expr"], "Another House") == [], target["expr"]
    assert found["Diverted", "kWh"] == pytest.approx(sum(one.diverted_wh for one in booked) / 1000)
    assert found["Net value", "net"] == pytest.approx(sum(one.net_micro for one in booked) / 1e6)
    assert found["Net carbon", "kg CO2e"] == pytest.approx(sum(one.net_mg for one in booked) / 1e6)
    assert found["Diverted per day", "{{heater}}"] == pytest.approx(sum(one.diverted_wh for one in booked[48:]) / 1000)
    assert found["What a kWh was worth", "as heat"] == pytest.approx(0.2)
    assert found["Measured", "measured time"] == pytest.approx(1.0)


def test_each_name_of_the_brokers_rules_gets_a_password_once(tmp_path: Path) -> None:
    shutil.copytree(DEPLOY / "mosquitto", tmp_path / "mosquitto")
    secrets = tmp_path / "broker-secrets"
    command = [str(DEPLOY / "broker-passwords"), str(tmp_path)]
    subprocess.run(command, check=True, timeout=60, capture_output=True)
    lines = (secrets / "passwords").read_text().splitlines()
    assert {line.split(":")[0] for line in lines} == {"brimful", "meter", "cylinder", "diverter", "display"}
    assert (tmp_path / "house/secrets/broker").read_text() == (secrets / "brimful").read_text()
    assert len({(secrets / line.split(":")[0]).read_text() for line in lines}) == len(lines)
    for path in secrets.iterdir():
        assert path.stat().st_mode & 0o077 == 0, path.name
    before = {path.name: path.read_bytes() for path in secrets.iterdir()}
    subprocess.run(command, check=True, timeout=60, capture_output=True)
    assert {path.name: path.read_bytes() for path in secrets.iterdir()} == before


def test_a_password_is_on_no_command_line_and_is_the_one_that_is_kept(tmp_path: Path) -> None:
    """Everybody on the machine can read a command line."""
    shutil.copytree(DEPLOY / "mosquitto", tmp_path / "mosquitto")
    real = shutil.which("mosquitto_passwd", path=f"{os.environ['PATH']}:/usr/sbin")
    tools = tmp_path / "tools"
    tools.mkdir()
    (tools / "mosquitto_passwd").write_text(f'#!/bin/sh\necho "$@" >>"{tools}/asked"\nexec "{real}" "$@"\n')
    (tools / "mosquitto_passwd").chmod(0o755)
    subprocess.run(
        [str(DEPLOY / "broker-passwords"), str(tmp_path)],
        check=True, timeout=60, capture_output=True, env={**os.environ, "PATH": f"{tools}:{os.environ['PATH']}"},
    )  # fmt: skip
    secrets, asked = tmp_path / "broker-secrets", (tools / "asked").read_text()
    for line in (secrets / "passwords").read_text().splitlines():
        name, _, rest = line.partition(":")
        password = (secrets / name).read_text()
        assert name in asked
        assert password not in asked
        _, kind, rounds, salt, kept = rest.split("$")
        assert kind == "7", "PBKDF2 with SHA-512"
        assert b64decode(kept) == pbkdf2_hmac("sha512", password.encode(), b64decode(salt), int(rounds))

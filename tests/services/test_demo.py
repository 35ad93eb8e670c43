"""The demo ends by itself, and its ledger is its diverter's counter."""

import json
import os
import re
import signal
import subprocess
import sys
from http.client import HTTPConnection
from pathlib import Path
from urllib.parse import urlencode

import pytest

pytestmark = pytest.mark.services


def test_the_demo_ends_with_a_statement_that_agrees_with_the_house(demo_day: Path) -> None:
    told = json.loads((demo_day / "statement.json").read_text())
    assert told["schema"] == "brimful.demo/1"
    assert told["value"]["total"]["diverted_kwh"] == told["house"]["diverted_kwh"] > 1
    assert sum(row["diverted_kwh"] for row in told["value"]["rows"]) == told["value"]["total"]["diverted_kwh"]
    assert sum(told["decisions"]["seconds_by_order"].values()) == 86_400
    assert sum(told["decisions"]["seconds_by_guard"].values()) == 86_400
    assert set(told["decisions"]["seconds_by_order"]) == {"withhold", "surplus"}
    assert "full" in told["decisions"]["seconds_by_guard"]


def test_a_demo_takes_a_change_from_who_has_the_password_it_shows(tmp_path: Path) -> None:
    demo = subprocess.Popen(
        [
            sys.executable,
            "-c",
            "from daemon.cli import main; main()",
            "demo",
            "--days",
            "1",
            "--minutes",
            "60",
            "--stay",
            "--folder",
            "story",
        ],
        cwd=tmp_path,
        env={**os.environ, "PYTHONPATH": str(Path(__file__).parents[2])},
        stdout=subprocess.PIPE,
        stderr=subprocess.PIPE,
        text=True,
    )
    assert demo.stderr is not None
    try:
        head = [demo.stderr.readline() for _ in range(4)]
        port = int(re.findall(r"http://127.0.0.1:(\d+)/", "".join(head))[0])
        password = re.findall(r"the house password: (\S+)", "".join(head))[0]
        assert "Wed 00:00" in demo.stderr.readline() + demo.stderr.readline()  # it lives
        cookie = _posted(port, "/login", {"password": password, "then": "/"}).split(";")[0]
        assert cookie.startswith("brimful-")
        token = re.findall(r'name="form_token" value="([^"]+)"', _got(port, "/", cookie))[0]
        _posted(port, "/override", {"order": "withhold", "minutes": "60", "form_token": token}, cookie)
        assert "Override: <b>heater off</b>" in _got(port, "/", cookie)
    finally:
        demo.send_signal(signal.SIGINT)
        out, err = demo.communicate(timeout=60)
    assert demo.returncode == 0, err
    assert "The diverter's own counter shows" in out


def _posted(port: int, path: str, fields: dict[str, str], cookie: str = "") -> str:
    """What the answer sets as a cookie, or where it leads."""
    connection = HTTPConnection("127.0.0.1", port, timeout=60)
    headers = {"Origin": f"http://127.0.0.1:{port}", "Content-Type": "application/x-www-form-urlencoded"}
    connection.request("POST", path, urlencode(fields), {**headers, "Cookie": cookie})
    answer = connection.getresponse()
    text = answer.read().decode()
    connection.close()
    assert answer.status == 303, text
    return answer.headers.get("Set-Cookie") or answer.headers["Location"]


def _got(port: int, path: str, cookie: str) -> str:
    connection = HTTPConnection("127.0.0.1", port, timeout=60)
    connection.request("GET", path, headers={"Cookie": cookie})
    answer = connection.getresponse()
    text = answer.read().decode()
    connection.close()
    return text

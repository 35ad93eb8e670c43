"""Memory of the running daemon, and how long short commands take to start."""

import http.client
import json
import subprocess
import sys
import tempfile
import time
from functools import partial
from pathlib import Path
from urllib.parse import urlencode

from house import BRIMFUL, LEVEL, METER, QUIET_BROKER, House
from measure import REPOSITORY, Row, in_turn, seconds, show
from pages import pages

from daemon.web.server.password_hash import hashed
from tests.support.broker import Client, Mosquitto
from tests.support.servers import victoria_metrics

SECONDS = 80
"""The books settle every minute and send within a quarter of one: time enough for both to have happened."""
PAGES = 20
PAGES_S = 10
LOGINS = 50
PASSWORD = "larch lamp ladle"
ROUNDS = 10
KB_A_MB = 1024
REPLACED = ("signals.diverted_wh",)
DATED = '[signals.diverted_wh]\ntopic = "house/diverter"\npointer = "/wh"\ntime_pointer = "/at"\nresolution = 1\n'


def memory_mb(pid: int) -> tuple[float, float]:
    """Resident, and proportional (shared pages divided among those that share them), MB of 1024² bytes."""
    text = Path(f"/proc/{pid}/smaps_rollup").read_text(encoding="ascii")
    found = dict(line.split(":", 1) for line in text.splitlines()[1:])
    return int(found["Rss"].split()[0]) / KB_A_MB, int(found["Pss"].split()[0]) / KB_A_MB


def live(wire: Client) -> None:
    """Readings of every signal once a second, after two old ones of the counter that give intervals to settle."""
    for ago_s, wh in ((7200, 0), (3600, 1500)):
        wire.publish("house/diverter", json.dumps({"w": 0, "wh": wh, "at": time.time() - ago_s}))
    for second in range(SECONDS):
        time.sleep(1)
        wire.publish(METER, json.dumps({"power": {"w": -2500 + second}}))
        wire.publish("house/roof", json.dumps({"w": 3000 + second}))
        wire.publish("house/load", json.dumps({"w": 500 + second}))
        wire.publish(LEVEL, json.dumps({"level": 97.0 if second % 20 == 10 else 70.0}))
        wire.publish("house/diverter", json.dumps({"w": 2400, "wh": 1500 + second, "at": time.time()}))


def log_in(port: int) -> None:
    """As a browser does, whose address is this machine's."""
    origin = f"http://127.0.0.1:{port}"
    link = http.client.HTTPConnection("127.0.0.1", port)
    fields = urlencode({"password": PASSWORD, "then": "/"})
    link.request("POST", "/login", fields, {"Content-Type": "application/x-www-form-urlencoded", "Origin": origin})
    assert link.getresponse().status == 303
    link.close()


def read_in_german(port: int) -> None:
    """The page for a browser that prefers German."""
    link = http.client.HTTPConnection("127.0.0.1", port)
    link.request("GET", "/", headers={"Accept-Language": "de"})
    answer = link.getresponse()
    assert answer.status == 200
    assert b'<html lang="de"' in answer.read()
    link.close()


def run(command: tuple[str, ...]) -> None:
    subprocess.run(command, check=True, stdout=subprocess.DEVNULL, cwd=REPOSITORY)


def main() -> None:
    with (
        tempfile.TemporaryDirectory(prefix="brimful-bench-") as name,
        Mosquitto(Path(name), extra=QUIET_BROKER) as broker,
        victoria_metrics(Path(name)) as server,
        Client(broker.address()) as wire,
    ):
        folder = Path(name)
        series = f'[timeseries]\nkind = "victoriametrics"\nurl = "{server.url}"\n'
        page_password = folder / "page-password"
        page_password.write_text(hashed(PASSWORD))
        page_password.chmod(0o600)
        guarded = f'password_file = "{page_password}"\n'
        homes = (
            House(folder / "plain", broker, guarded + DATED, REPLACED),
            House(folder / "series", broker, DATED + series, REPLACED),
        )
        with homes[0] as plain, homes[1] as shipping:
            plain.wait_up()
            shipping.wait_up()
            live(wire)
            assert shipping.health()["timeseries"]["fault"] == ""
            assert json.loads(server.get("/api/v1/series/count").data)["data"][0] > 0
            plain_mb, plain_own_mb = memory_mb(plain.pid)
            series_mb, series_own_mb = memory_mb(shipping.pid)
            with pages(plain.port, PAGES) as opened:
                time.sleep(PAGES_S)
                assert opened.read > 0
                pages_mb, pages_own_mb = memory_mb(plain.pid)
            for _ in range(LOGINS):
                log_in(plain.port)
            logins_mb, _ = memory_mb(plain.pid)
            read_in_german(plain.port)
            german_mb, _ = memory_mb(plain.pid)
            why = (*BRIMFUL, "why", "--home", str(plain.file))
            starts = ((*BRIMFUL, "--help"), why, (sys.executable, "-c", "pass"))
            help_s, why_s, python_s = in_turn(ROUNDS, [partial(seconds, partial(run, start)) for start in starts])
            plain.stop()
            shipping.stop()
    show(
        f"the running daemon after {SECONDS} s of readings",
        [
            Row("resident", plain_mb, "MB", aim=60),
            Row("  proportional share", plain_own_mb, "MB"),
            Row(f"resident, {PAGES} pages open", pages_mb, "MB", aim=90),
            Row("  proportional share", pages_own_mb, "MB"),
            Row(f"resident after {LOGINS} logins more", logins_mb, "MB", aim=90),
            Row("resident after the page was read in German, too", german_mb, "MB", aim=90),
            Row("resident, with [timeseries]", series_mb, "MB", aim=60),
            Row("  proportional share", series_own_mb, "MB"),
        ],
    )
    show(
        "from the command to its end; floor: python -c pass",
        [
            Row("brimful --help", help_s, "s", python_s),
            Row("brimful why", why_s, "s", python_s),
            Row("the slower of them", max(help_s, why_s), "s", aim=0.4),
        ],
    )


if __name__ == "__main__":
    main()

"""Prices told ahead, from a real broker and a real address to what the rules decide by."""

import json
import threading
from collections.abc import Callable, Iterator
from contextlib import contextmanager
from http.server import BaseHTTPRequestHandler, ThreadingHTTPServer
from pathlib import Path
from typing import Any

import pytest

from daemon.assembly.prepared_home import prepare
from daemon.config.load import load
from daemon.mqtt.address import BrokerAddress
from daemon.runtime.service import Service
from daemon.timing.clock import SteppedClock
from daemon.timing.events import Ask, Due
from tests.support.broker import TIMEOUT_S, Client, Mosquitto, free_port
from tests.support.homes import SMALL

pytestmark = pytest.mark.services

NOON_S = 1_780_308_000.0  # 2026-06-01T10:00:00Z
PAYLOAD = json.dumps({"rows": [{"at": "2026-06-01T09:30:00Z", "p": 5.5}, {"at": "2026-06-01T10:30:00Z", "p": -1}]})
LIVE = 'rows = "/rows", time = "/at", value = "/p", scale = 0.01, minutes = 60'


@contextmanager
def running(folder: Path, live: str, address: BrokerAddress) -> Iterator[Service]:
    text = f'{SMALL}[tariffs.sell]\ndirection = "export"\nlive = {{ {live}, {LIVE} }}\n[api]\nport = {free_port()}\n'
    (folder / "home.toml").write_text(text)
    service = Service(prepare(load(folder / "home.toml")), address, SteppedClock(NOON_S), stepped_from_s=NOON_S)
    service.start()
    try:
        yield service
    finally:
        service.stop()
        assert service.join(TIMEOUT_S)


def taken(service: Service, until: Callable[[], bool]) -> float | None:
    """The export price, once the file is written and looked at."""
    deadline = threading.Event()
    for _ in range(int(TIMEOUT_S / 0.02)):
        if until():
            break
        deadline.wait(0.02)
    service.loop.put(Due("reload"))
    price: float | None = asked(service, "why")["prices"]["export_price"]
    return price


def asked(service: Service, name: str) -> Any:
    """The loop's answer, once it has done all that was put before."""
    question = Ask(name)
    service.loop.put(question)
    return question.answer.result(TIMEOUT_S)


def test_rows_of_a_topic_price_what_is_sold(tmp_path: Path) -> None:
    kept = tmp_path / "brimful.tariffs.sell.csv"
    with Mosquitto(tmp_path) as broker:
        with Client(broker.address()) as client:
            client.publish("market/rows", PAYLOAD, retain=True)
        with running(tmp_path, 'kind = "mqtt", topic = "market/rows"', broker.address()) as service:
            assert asked(service, "why")["prices"]["export_price"] is None
            assert taken(service, kept.exists) == 0.055
    assert kept.read_text() == (
        "time,value\n2026-06-01T09:30:00Z,0.055\n2026-06-01T10:30:00Z,-0.01\n2026-06-01T11:30:00Z,\n"
    )


def test_rows_of_an_address_price_what_is_sold_and_stay_when_it_is_gone(tmp_path: Path) -> None:
    class Handler(BaseHTTPRequestHandler):
        def do_GET(self) -> None:
            self.send_response(200 if self.path == "/2026-06-01" else 404)
            self.send_header("Content-Length", str(len(PAYLOAD)))
            self.end_headers()
            self.wfile.write(PAYLOAD.encode())

        def log_message(self, *_: object) -> None:
            """Nothing."""

    server = ThreadingHTTPServer(("127.0.0.1", 0), Handler)
    thread = threading.Thread(target=server.serve_forever)
    thread.start()
    nobody = BrokerAddress("127.0.0.1", free_port())
    live = f'kind = "http", url = "http://127.0.0.1:{server.server_port}/{{today}}"'
    try:
        with running(tmp_path, live, nobody) as service:
            assert taken(service, (tmp_path / "brimful.tariffs.sell.csv").exists) == 0.055
    finally:
        server.shutdown()
        thread.join()
        server.server_close()
    with running(tmp_path, live, nobody) as service:
        assert taken(service, lambda: bool(service.parts.feeds.faults)) == 0.055, "the last good rows are kept"
        assert service.parts.feeds.faults[0].startswith("prices of tariffs.sell: expected an answer, got")
        assert asked(service, "health")["prices"] == {"faults": service.parts.feeds.faults}

"""Hostile readings, series, working state and requests: refused in words, or taken; never a traceback, never a hang."""

import errno
import gzip
import json
import socket
import sqlite3
import time
from collections import Counter
from collections.abc import Callable
from math import isfinite
from pathlib import Path
from random import Random

import pytest

from accounting.ledger import Ledger
from accounting.pricing.series import read_series
from daemon.inputs.readings_file import open_readings
from daemon.web.api.client import token_file
from rules.model.errors import BrimfulError
from tests.support import hostile
from tests.support.soak import Soak

SLOWEST_S = 5.0
READINGS = b"""time,grid_w,tank_level_pct,diverted_wh_main
2026-06-01T12:00:00Z,-900,50.5,1000
2026-06-01T12:01:00Z,-950,,1015
2026-06-01T13:02:00+01:00,1200.25,50.6,1030
"""
SERIES = b"time,value\n2026-01-01T00:00Z,0.30\n2026-01-01T00:30:00+00:00,\n2026-01-01T02:00+01:00,-1.25\n"
CELLS = (
    *hostile.NASTY_NUMBERS,
    *hostile.TIMES,
    *hostile.WORDS,
    '"',
    '"a\nb"',
    "x" * 200_000,
    "1e999999999",
    "1/3",
    "1e-999999",
)


def torn(text: bytes, dice: Random) -> bytes:
    """A CSV text with bytes or whole cells changed."""
    if dice.random() < 0.5:
        return hostile.mutated(text, [text], dice)
    rows = [row.split(",") for row in text.decode().splitlines()]
    for _ in range(dice.choice((1, 1, 2, 3))):
        row = dice.choice(rows)
        match dice.randrange(6):
            case 0 if len(rows) > 1:
                rows.remove(row)
            case 1:
                rows.append(list(row))
            case 2:
                row.append(dice.choice(CELLS))
            case _ if row:
                row[dice.randrange(len(row))] = dice.choice(CELLS)
    return "\n".join(",".join(row) for row in rows).encode("utf-8", "surrogatepass")


def try_files(count: int, path: Path, text: bytes, read: Callable[[Path], None]) -> Counter[str]:
    """Read `count` torn files; each is refused by its name in words, or read."""
    dice = Random(count)
    outcomes: Counter[str] = Counter()
    for _ in range(count):
        content = torn(text, dice)
        if path.suffix == ".gz":
            packed = gzip.compress(content, 1)
            content = hostile.mutated(packed, [packed], dice) if dice.random() < 0.7 else packed
        path.write_bytes(content)
        began = time.perf_counter()
        try:
            read(path)
            outcomes["read"] += 1
        except BrimfulError as refused:
            said = path.name in refused.subject and bool(refused.cause) and len(str(refused)) < 1000
            outcomes["refused" if said else f"refused badly: {refused}"] += 1
        assert time.perf_counter() - began < SLOWEST_S, content[:300]
    print(f"\n{count:,} files like {path.name} tried: {dict(outcomes)}")
    assert set(outcomes) == {"read", "refused"}
    return outcomes


def _read_readings(path: Path) -> None:
    with open_readings(path, ["main"]) as file:
        for instant_s, readings in file.rows(file.signals):
            assert isfinite(instant_s)
            assert all(isfinite(reading.value) for reading in readings)


def _read_series(path: Path) -> None:
    series = read_series(path)
    series.mean_price(1_767_225_600, 1_767_232_800)
    series.next_change(1_767_225_600.0)


@pytest.mark.parametrize("name", ["readings.csv", "readings.csv.gz"])
@pytest.mark.parametrize("count", [400, pytest.param(50_000, marks=pytest.mark.long)])
def test_torn_readings(tmp_path: Path, name: str, count: int) -> None:
    try_files(count, tmp_path / name, READINGS, _read_readings)


@pytest.mark.parametrize("count", [800, pytest.param(100_000, marks=pytest.mark.long)])
def test_a_torn_series(tmp_path: Path, count: int) -> None:
    try_files(count, tmp_path / "prices.csv", SERIES, _read_series)


@pytest.mark.parametrize("lives", [10, pytest.param(1_000, marks=pytest.mark.long)])
def test_mangled_working_state_is_begun_anew_and_said(tmp_path: Path, lives: int) -> None:
    """Each life finds a row of its state mangled: it starts all the same, and what it has booked stays."""
    dice = Random(lives)
    soak = Soak(tmp_path, 12)
    soak.quiet = True
    said = 0
    for _ in range(lives):
        for _ in range(40):
            soak.step()
        soak._end(killed=dice.random() < 0.3)
        with Ledger.open_reader(soak.ledger) as ledger:
            booked = [(entry.start_s, entry.diverted_wh) for entry in ledger.entries(0, 1e11)]
        with sqlite3.connect(soak.ledger) as db:
            rows = db.execute("SELECT key, value FROM state WHERE key NOT LIKE '%.seal'").fetchall()
            for key, value in dice.sample(rows, dice.choice((1, 1, 3))):
                mangled = hostile.mutated(value.encode(), [value.encode(), b"{}", b"[]"], dice)
                if mangled == value.encode():
                    continue
                said += key in ("meter", "memory")
                db.execute("UPDATE state SET value = CAST(? AS TEXT) WHERE key = ?", (mangled, key))
                if dice.random() < 0.2:  # as an older program left it
                    db.execute("DELETE FROM state WHERE key = ?", (f"{key}.seal",))
                    said -= key in ("meter", "memory")
        db.close()
        soak._kept_override_s = None
        soak._live()
        with Ledger.open_reader(soak.ledger) as ledger:
            assert [(entry.start_s, entry.diverted_wh) for entry in ledger.entries(0, 1e11)][: len(booked)] == booked
    for _ in range(40):
        soak.step()
    soak._end(killed=False)
    with Ledger.open_reader(soak.ledger) as ledger:
        notes = [event for event in ledger.events(0, 1e11) if event.name == "state"]
        assert ledger.integrity() == []
    print(f"\n{lives:,} lives with mangled state: {len(notes)} times begun anew")
    assert len(notes) >= said > 0


REQUESTS = (
    b"GET /api/why HTTP/1.1\r\nHost: 127.0.0.1\r\nConnection: close\r\n\r\n",
    b"GET /api/health HTTP/1.0\r\nHost: localhost\r\n\r\n",
    b"POST /api/override HTTP/1.1\r\nHost: 127.0.0.1\r\nContent-Type: application/json\r\nContent-Length: 15\r\n\r\n"
    b'{"clear": true}',
)
BODIES = (
    *(
        '{"order": %s, "for_s": 60}',
        '{"order": "surplus", "for_s": %s}',
        '{"order": "surplus", "for_s": 9, "heater": %s}',
    ),
    *('{"rule": %s, "set": {}}', '{"rule": "full", "set": {"stop_at_pct": %s}}', '{"rule": "full", "set": %s}', "%s"),
    *('{"rule": "rest", "set": {%s: 1}}', '{"rule": "full", "set": {}, "file": %s}', '{"clear": %s}', '{"from": %s}'),
)


def request(dice: Random, token: str) -> tuple[bytes, bool]:
    """A request, torn by bytes or with a hostile body; whether it is a whole one, which must be answered."""
    if dice.random() < 0.4:
        return hostile.mutated(dice.choice(REQUESTS), REQUESTS, dice), False
    told = hostile.scalar(dice) if dice.random() < 0.8 else '"\\ud800"'
    body = dice.choice(BODIES).replace("%s", told).encode("utf-8", "surrogatepass")
    path = dice.choice(("override", "rule") * 3 + ("why", "resend", "../rule", "%00"))
    length = dice.choice((len(body),) * 12 + (len(body) + 1, 0, -1, 10**30, "x"))
    method = dice.choice(("POST",) * 8 + ("GET", "PUT"))
    head = (
        f"{method} /api/{path} HTTP/1.1\r\nHost: 127.0.0.1\r\nConnection: close\r\nAuthorization: Bearer {token}\r\n"
        f"Content-Type: application/json\r\nContent-Length: {length}\r\n\r\n"
    )
    return head.encode() + body, length == len(body)


def answer(port: int, content: bytes, whole: bool) -> bytes:
    """What comes back until the other end closes. What may not be whole is followed by the end of this one."""
    with socket.create_connection(("127.0.0.1", port), timeout=60) as client:
        try:
            client.sendall(content)
            if not whole:
                client.shutdown(socket.SHUT_WR)
            return b"".join(iter(lambda: client.recv(65_536), b""))
        except ConnectionError:
            return b""
        except OSError as closed:  # before its end could be told
            if closed.errno != errno.ENOTCONN:
                raise
            return b""


@pytest.mark.parametrize("count", [300, pytest.param(20_000, marks=pytest.mark.long)])
def test_hostile_requests(
    tmp_path: Path, count: int, capsys: pytest.CaptureFixture[str], caplog: pytest.LogCaptureFixture
) -> None:
    """Each is answered or cut off; no thread of the server ends by an error nobody foresaw, and the loop goes on."""
    dice = Random(count)
    soak = Soak(tmp_path, 12)
    soak.quiet = True
    for _ in range(10):
        soak.step()
    assert soak.service is not None
    api = soak.service.api
    api.start()
    token = token_file(soak.ledger).read_text().strip()
    statuses: Counter[str] = Counter()
    for number in range(count):
        content, whole = request(dice, token)
        said = answer(api.port, content, whole)
        status = said.split(b" ", 2)[1].decode() if said.startswith(b"HTTP/") else "cut off"
        statuses[status] += 1
        assert status != "500", content[:500]
        assert status != "cut off" or not whole, content[:500]
        if status == "200" and whole:
            json.loads(said.partition(b"\r\n\r\n")[2])
        if number % 50 == 0:
            soak.step()
    soak.step()
    assert "Traceback" not in capsys.readouterr().err
    assert not [record for record in caplog.records if record.exc_info], "nothing that nobody foresaw"
    with capsys.disabled():
        print(f"\n{count:,} requests tried: {dict(statuses)}")
    assert statuses["200"] > 0
    assert statuses["400"] > 0
    soak._end(killed=False)

"""Prices told ahead: from a payload to the file beside the ledger."""

import json
import threading
from collections.abc import Iterator
from datetime import date
from fractions import Fraction
from http.server import BaseHTTPRequestHandler, ThreadingHTTPServer
from pathlib import Path
from typing import Any

import pytest

from accounting.pricing.series import read_rows
from daemon.inputs.price_feeds import LARGEST_BYTES, Feed, Feeds, Fetched, dated, fetch, read_payload
from tests.support.prices import utc

START = utc("2026-06-01T00:00Z")
TODAY = date(2026, 6, 1)


def feed(folder: Path, **changes: Any) -> Feed:
    told = {"rows": "/data/rows", "time": "/from", "value": "/price", "scale": Fraction(1, 1000), "step_s": 1800}
    return Feed("sell", folder / "sell.csv", **{**told, "url": "http://prices.example/{today}", **changes})  # type: ignore[arg-type]


def payload(*rows: tuple[object, object]) -> bytes:
    return json.dumps({"data": {"rows": [{"from": at, "price": price} for at, price in rows]}}).encode()


GOOD = payload(("2026-06-01T00:00:00Z", 55.1), ("2026-06-01T01:30:00+01:00", -7), (START * 1000 + 7_200_000, "80.25"))
ROWS = [
    (START, Fraction("0.0551")),
    (START + 1800, Fraction("-0.007")),
    (START + 3600, None),
    (START + 7200, Fraction("0.08025")),
    (START + 9000, None),
]


def test_rows_are_read_by_their_pointers_exactly_and_gaps_are_told(tmp_path: Path) -> None:
    assert read_payload(GOOD, feed(tmp_path)) == ROWS
    one = json.dumps({"from": START, "price": None}).encode()
    assert read_payload(one, feed(tmp_path, rows="")) == [(START, None), (START + 1800, None)]


@pytest.mark.parametrize(
    ("content", "said"),
    [
        (b"no", "expected JSON, got something else"),
        (b"\xff", "expected JSON, got something else"),
        (b"[" * 100_000, "expected JSON, got something else"),
        (b"{}", 'expected rows at "/data/rows", got nothing there'),
        (b" " * (LARGEST_BYTES + 1), "expected at most 5 MB, got more"),
        (b'{"data": {"rows": []}}', "expected 1 to 50000 rows, got 0"),
        (b'{"data": {"rows": [3]}}', "row 1: expected a time and a value, got a row without"),
        (payload((START, 1), ("2026-06-01T00:00:00", 1)), "row 2: its time has no offset from UTC"),
        (payload((5, 1)), "row 1: its time is not plausible"),
        (payload((START, True)), "row 1: expected a number, got True"),
        (payload((START, "dear")), "row 1: expected a number, got dear"),
        (payload((START, [1])), "row 1: expected a number, got [1]"),
        (payload((START, 1e99)), "row 1: expected a number, got 1E+99"),
        (payload((START, 1e8)), "row 1: expected at most 10000 per kWh, got 100000"),
        (b'{"data": {"rows": [{"from": NaN, "price": 1}]}}', "row 1: its time is not plausible"),
    ],
)
def test_what_cannot_be_read_is_refused_as_a_whole(content: bytes, said: str, tmp_path: Path) -> None:
    with pytest.raises(ValueError) as refused:  # noqa: PT011
        read_payload(content, feed(tmp_path))
    assert str(refused.value) == said


class Answers:
    """Stands for a source; tells when it was asked for the last of its answers and that one has been dealt with."""

    def __init__(self, *answers: Fetched | str) -> None:
        self.asked: list[tuple[str, str]] = []
        self._answers = list(answers)

    def __call__(self, url: str, etag: str) -> Fetched:
        self.asked.append((url, etag))
        answer = self._answers.pop(0)
        if isinstance(answer, str):
            raise ValueError(answer)
        return answer


def run(feeds: Feeds, *moments: float) -> None:
    """Look at each of these seconds, and wait until all is done."""
    for mono_s in moments:
        feeds.look(mono_s, TODAY)
    feeds._queue.put(None)
    feeds._work()


def test_rows_are_kept_merged_and_asked_for_only_if_they_changed(tmp_path: Path) -> None:
    later = payload(("2026-06-01T00:30:00Z", 9), ("2026-06-01T01:00:00Z", 10))
    answers = Answers(Fetched(GOOD, ""), Fetched(GOOD, '"a"'), Fetched(None, '"a"'), Fetched(later, '"b"'))
    feeds = Feeds([feed(tmp_path)], answers)
    run(feeds, 0.0, 3599.0)
    assert read_rows(tmp_path / "sell.csv") == ROWS
    before = (tmp_path / "sell.csv").stat().st_mtime_ns
    run(feeds, 3600.0)
    run(feeds, 7200.0)
    assert (tmp_path / "sell.csv").stat().st_mtime_ns == before, "nothing new, nothing written"
    run(feeds, 10_800.0)
    assert read_rows(tmp_path / "sell.csv") == [
        ROWS[0],
        (START + 1800, Fraction("0.009")),
        (START + 3600, Fraction("0.01")),
        (START + 5400, None),
        *ROWS[3:],
    ]
    assert answers.asked == [("http://prices.example/2026-06-01", etag) for etag in ("", "", '"a"', '"a"')]


def test_a_source_that_fails_changes_nothing_is_told_once_and_asked_again_sooner(
    tmp_path: Path, caplog: pytest.LogCaptureFixture
) -> None:
    answers = Answers(Fetched(GOOD, '"a"'), "expected status 200, got 503", Fetched(b"no", '"c"'), Fetched(GOOD, '"d"'))
    feeds = Feeds([feed(tmp_path)], answers)
    run(feeds, 0.0)
    run(feeds, 3600.0)
    assert feeds.faults == ["prices of sell: expected status 200, got 503"]
    run(feeds, 3899.0)
    assert len(answers.asked) == 2
    run(feeds, 3900.0)
    assert feeds.faults == ["prices of sell: expected JSON, got something else"]
    run(feeds, 4200.0)
    assert read_rows(tmp_path / "sell.csv") == ROWS
    assert feeds.faults == []
    assert answers.asked[-1][1] == '"a"', "the refused answer's tag was not kept"
    assert caplog.text.count("prices=sell failing") == 1
    assert caplog.text.count("prices=sell well again") == 1


def test_a_file_that_is_damaged_or_cannot_be_written_is_a_fault(tmp_path: Path) -> None:
    (tmp_path / "sell.csv").write_text("time,value\nnoon,1\n")
    feeds = Feeds([feed(tmp_path)], Answers(Fetched(GOOD)))
    run(feeds, 0.0)
    assert "sell.csv, line 2: expected a time with its offset" in feeds.faults[0]
    nowhere = Feeds([feed(tmp_path / "none")], Answers(Fetched(GOOD)))
    run(nowhere, 0.0)
    assert "No such file" in nowhere.faults[0]


def test_what_a_topic_tells_is_kept_too(tmp_path: Path) -> None:
    feeds = Feeds([feed(tmp_path, url="", topic="hut/prices")])
    feeds.topics["hut/prices"](GOOD)
    run(feeds, 0.0)
    assert read_rows(tmp_path / "sell.csv") == ROWS


def test_places_for_the_date_are_filled_in() -> None:
    assert dated("http://p.example/?a={today}&b={tomorrow}", date(2026, 12, 31)) == (
        "http://p.example/?a=2026-12-31&b=2027-01-01"
    )


class _Handler(BaseHTTPRequestHandler):
    def do_GET(self) -> None:
        if self.path == "/gone":
            self.send_error(404)
        elif self.path == "/moved":
            self.send_response(302)
            self.send_header("Location", "/")
            self.end_headers()
        elif self.headers.get("If-None-Match") == '"v1"':
            self.send_response(304)
            self.end_headers()
        else:
            self.send_response(200)
            self.send_header("ETag", '"v1"')
            self.send_header("Content-Length", str(len(GOOD)))
            self.end_headers()
            self.wfile.write(GOOD)

    def log_message(self, *_: object) -> None:
        """Nothing."""


@pytest.fixture
def address() -> Iterator[str]:
    server = ThreadingHTTPServer(("127.0.0.1", 0), _Handler)
    thread = threading.Thread(target=server.serve_forever)
    thread.start()
    yield f"http://127.0.0.1:{server.server_port}"
    server.shutdown()
    thread.join()
    server.server_close()


def test_an_address_is_asked_with_its_tag(address: str) -> None:
    assert fetch(address + "/", "") == Fetched(GOOD, '"v1"')
    assert fetch(address + "/moved", "") == Fetched(GOOD, '"v1"')
    assert fetch(address + "/", '"v1"') == Fetched(None, '"v1"')
    with pytest.raises(ValueError, match="expected status 200, got 404"):
        fetch(address + "/gone", "")


def test_an_address_where_nobody_answers_is_said() -> None:
    with pytest.raises(ValueError, match="expected an answer, got"):
        fetch("http://127.0.0.1:9/", "")

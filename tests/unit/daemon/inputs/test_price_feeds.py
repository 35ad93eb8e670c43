"""Prices told ahead: from a payload to the file beside the ledger."""

import threading
from collections.abc import Callable
from dataclasses import replace
from datetime import date
from fractions import Fraction
from pathlib import Path

import pytest

from accounting.pricing.series import read_rows
from daemon.inputs.price_feeds import MOST_WAITING, Feeds, dated
from daemon.inputs.price_fetch import Fetched
from tests.support.price_payloads import GOOD, ROWS, START, feed, payload

TODAY = date(2026, 6, 1)


class Answers:
    """Stands for a source; tells when it was asked for the last of its answers and that one has been dealt with."""

    def __init__(self, *answers: Fetched | str) -> None:
        self.asked: list[tuple[str, str]] = []
        self._answers = list(answers)

    def __call__(self, url: str, etag: str, redirects_to: tuple[str, ...]) -> Fetched:
        self.asked.append((url, etag))
        answer = self._answers.pop(0)
        if isinstance(answer, str):
            raise ValueError(answer)
        return answer


def run(feeds: Feeds, *moments: float) -> None:
    """Look at each of these seconds, and wait until all is done."""
    feeds.work()
    for mono_s in moments:
        feeds.look(mono_s, TODAY)
        feeds.work()


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


def test_a_topic_that_floods_keeps_no_more_than_its_newest_payloads(tmp_path: Path) -> None:
    feeds = Feeds([feed(tmp_path, url="", topic="hut/prices", step_s=3600)])
    for day in range(MOST_WAITING + 9):
        feeds.topics["hut/prices"](payload((START + day * 86_400, 55.1)))
    feeds.work()
    kept = [at_s for at_s, price in read_rows(tmp_path / "sell.csv") if price is not None]
    assert kept == [START + day * 86_400 for day in range(9, MOST_WAITING + 9)]


def test_what_a_topic_tells_is_kept_too(tmp_path: Path) -> None:
    feeds = Feeds([feed(tmp_path, url="", topic="hut/prices")])
    feeds.topics["hut/prices"](GOOD)
    run(feeds, 0.0)
    assert read_rows(tmp_path / "sell.csv") == ROWS


def test_places_for_the_date_are_filled_in() -> None:
    assert dated("http://p.example/?a={today}&b={tomorrow}", date(2026, 12, 31)) == (
        "http://p.example/?a=2026-12-31&b=2027-01-01"
    )


class Stuck:
    """A source that answers one address only when it is let go, and every other at once."""

    def __init__(self) -> None:
        self.go = threading.Event()

    def __call__(self, url: str, etag: str, redirects_to: tuple[str, ...]) -> Fetched:
        if "stuck" in url:
            assert self.go.wait(20)
        return Fetched(GOOD)


def until(holds: Callable[[], bool]) -> None:
    pause = threading.Event()
    for _ in range(2000):
        if holds():
            return
        pause.wait(0.01)
    raise AssertionError("waited in vain")


def test_one_source_that_does_not_answer_holds_no_other_up_and_is_named(tmp_path: Path) -> None:
    stuck = Stuck()
    slow, quick = tmp_path / "slow", tmp_path / "quick"
    slow.mkdir()
    quick.mkdir()
    feeds = Feeds([replace(feed(slow, url="http://stuck.example/"), name="slow"), feed(quick)], stuck)
    feeds.start()
    feeds.look(0.0, TODAY)
    until((quick / "sell.csv").exists)
    feeds.look(119.0, TODAY)
    assert feeds.faults == []
    feeds.look(120.0, TODAY)
    assert feeds.faults == ["prices of slow: expected an answer within 120 s, got none yet"]
    stuck.go.set()
    until(lambda: feeds.faults == [])
    feeds.stop()


def test_no_payload_ends_the_thread(tmp_path: Path, caplog: pytest.LogCaptureFixture) -> None:
    """Nor does a mistake of our own; it is in the log, and in a word among the faults."""

    class Mistaken(Answers):
        def __call__(self, url: str, etag: str, redirects_to: tuple[str, ...]) -> Fetched:
            if not self.asked:
                self.asked.append((url, etag))
                raise KeyError("a mistake")
            return super().__call__(url, etag, redirects_to)

    odd = payload((START, 1)).replace(b"1}", b"1e99999999999999999999}")
    feeds = Feeds([feed(tmp_path)], Mistaken(Fetched(odd), Fetched(GOOD)))
    feeds.start()
    feeds.look(0.0, TODAY)
    until(lambda: feeds.faults == ["prices of sell: reading it failed: KeyError"])
    feeds.look(300.0, TODAY)
    until(lambda: feeds.faults == ["prices of sell: row 1: expected a number, got 1e99999999999999999999"])
    feeds.look(600.0, TODAY)
    until(lambda: feeds.faults == [])
    assert read_rows(tmp_path / "sell.csv") == ROWS
    feeds.stop()
    assert "a mistake" in caplog.text


def test_a_thread_that_has_ended_is_said(tmp_path: Path) -> None:
    feeds = Feeds([feed(tmp_path)], Answers())
    feeds.start()
    assert feeds.faults == []
    feeds.stop()
    assert feeds.faults == ["prices of sell: its thread has ended; restart the daemon"]


def test_rows_that_cannot_be_read_are_left_out_and_named(tmp_path: Path) -> None:
    mixed = payload(("2026-06-01T00:00:00Z", 55.1), (START + 1800, "dear"), (START + 3600, None), (5, 1))
    feeds = Feeds([feed(tmp_path)], Answers(Fetched(GOOD, '"a"'), Fetched(mixed, '"b"'), Fetched(GOOD, '"c"')))
    run(feeds, 0.0, 3600.0)
    assert feeds.faults == ["prices of sell: row 2: expected a number, got dear (and 1 more); the other rows count"]
    assert read_rows(tmp_path / "sell.csv") == ROWS, "the row before it counts, and what was kept stays"

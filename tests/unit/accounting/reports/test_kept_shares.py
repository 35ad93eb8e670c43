"""Shares that are kept are those that are worked out; what has changed is worked out anew; the file may be anything."""

import shutil
from dataclasses import replace
from pathlib import Path
from zoneinfo import ZoneInfo

import pytest

from accounting.ledger import Batch, Ledger
from accounting.model.entry import Posting, TankEntry
from accounting.reports import used_share
from accounting.reports.used_share import shares_by_stock
from accounting.valuation.settings import TankBooks
from tests.support.ledgers import HALF_HOUR_S, START_S, new_ledger

ZONE = ZoneInfo("UTC")
TANK = TankBooks(180.0, 10.0, 60.0, 1.2, 20.0)
DAYS = 70
END_S = START_S + DAYS * 86_400


def tank_entry(place: int, stock_wh: int) -> TankEntry:
    of_day = place % 48
    flows = [Posting("lost", 30)]
    flows += [Posting("sun", -3000)] if of_day == 24 else [Posting("grid", -500)] if of_day == 6 else []
    flows += [Posting("drawn", 1000 + place % 7)] if of_day in (14, 40) else []
    change = -sum(flow.wh for flow in flows)
    entry = TankEntry(START_S + place * HALF_HOUR_S, HALF_HOUR_S, 1800, stock_wh + change)
    return replace(entry, postings=(*flows, Posting("tank", change)) if change else tuple(flows))


@pytest.fixture(scope="module")
def made(tmp_path_factory: pytest.TempPathFactory) -> Path:
    stock_wh, entries = 20_000, []
    for place in range(DAYS * 48):
        entries.append(tank_entry(place, stock_wh))
        stock_wh = entries[-1].closing_wh
    with new_ledger(tmp_path_factory.mktemp("made")) as ledger:
        ledger.commit(Batch(END_S, tank=tuple(entries)))
        return ledger.path


@pytest.fixture
def path(made: Path, tmp_path: Path) -> Path:
    return Path(shutil.copy(made, tmp_path))


def shares(path: Path) -> dict[int, object]:
    with Ledger.open_reader(path) as ledger:
        return dict(shares_by_stock(ledger, TANK, "measured", START_S, END_S, ZONE, None))


def beside(path: Path) -> Path:
    return path.with_name(f"{path.name}-used")


def test_kept_or_worked_out_they_are_the_same(path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    first = shares(path)
    assert len(first) == 3
    walked: list[int] = []
    walk = used_share.walk
    monkeypatch.setattr(used_share, "walk", lambda *given: walked.append(given[1][0]) or walk(*given))
    assert shares(path) == first
    assert len(walked) == 1, "only the month that goes on"
    for content in (b"", b"{", b"[]", b'{"schema": "brimful.kept-shares/1", "months": {"x": 1}}'):
        beside(path).write_bytes(content)
        assert shares(path) == first


def test_a_revised_interval_is_not_read_from_what_is_kept(path: Path) -> None:
    first = shares(path)
    with Ledger.open_reader(path) as ledger:
        revised = next(one for one in ledger.tank_entries(START_S + 20 * 86_400, END_S) if one.wh("drawn"))
    lines = tuple(replace(line, account="lost") if line.account == "drawn" else line for line in revised.postings)
    with new_ledger(path.parent) as ledger:
        ledger.commit(Batch(END_S + 1, tank=(replace(revised, postings=lines),)))
    later = shares(path)
    assert later != first
    beside(path).unlink()
    assert shares(path) == later


def test_a_folder_that_takes_no_file_is_left_alone(path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    def refused(**given: object) -> None:
        raise PermissionError

    monkeypatch.setattr("accounting.reports.kept_shares.tempfile.mkstemp", refused)
    assert len(shares(path)) == 3
    assert not beside(path).exists()

"""Who reads the ledger finds the interval in progress there as the page and MQTT tell it."""

from collections.abc import Iterator
from pathlib import Path

import pytest

from tests.unit.daemon.recording.test_unit_of_work import House, full_half_hour


@pytest.fixture
def house(tmp_path: Path) -> Iterator[House]:
    made = House(tmp_path)
    yield made
    made.keeper.close()


def told_and_read(house: House, after_s: float) -> tuple[float, float]:
    seen = house.seen()
    told = house.keeper.today(house.engine, house.at(after_s))["diverted_kwh"]
    return told, sum(one.diverted_wh for one in (*seen.entries, *seen.open)) / 1000


def test_what_a_question_finds_is_what_is_told_everywhere(house: House) -> None:
    full_half_hour(house)
    house.commit(1980.0)
    for minute in range(33, 37):
        house.hear(60.0 * minute, grid_w=-500.0, tank_level_pct=50.0, diverted_wh=1000.0 + 20 * minute)
    told, read = told_and_read(house, 2160.0)
    assert told > read, "the last write was three minutes ago"
    house.keeper.freshen(house.engine, house.at(2160.0))
    told, read = told_and_read(house, 2160.0)
    assert told == read == 0.72
    house.hear(2162.0, diverted_wh=1721.0)
    house.keeper.freshen(house.engine, house.at(2162.0))
    assert house.keeper.written_at_s == house.start_s + 2160.0, "questions in a row do not wear the card"
    house.keeper.freshen(house.engine, house.at(2166.0))
    assert house.keeper.written_at_s == house.start_s + 2166.0

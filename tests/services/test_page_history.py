"""The history entered on the page: written as the CSV file, refused as the verdict would refuse it, nothing lost."""

from collections.abc import Iterator
from pathlib import Path

import pytest
from argon2 import PasswordHasher

from accounting.verdict.history import read_history
from daemon.config.load import parse
from tests.support.homes import SMALL
from tests.support.served import Answer, Served

pytestmark = pytest.mark.services
PASSWORD = "four words are enough"
HASH = PasswordHasher(time_cost=1, memory_cost=8, parallelism=1).hash(PASSWORD)


@pytest.fixture
def page(tmp_path: Path) -> Iterator[Served]:
    with Served(password_hash=HASH, home=parse(SMALL.encode(), tmp_path / "home.toml")) as served:
        yield served


def test_rows_are_added_changed_and_taken_out_and_a_refused_one_is_kept(page: Served, tmp_path: Path) -> None:
    file = tmp_path / "history.csv"
    cookie = page.form("/login", {"password": PASSWORD, "then": "/"}).cookie

    def shown(query: str = "") -> str:
        answer = page.http("GET", f"/verdict/history{query}", headers={"Cookie": cookie})
        assert answer.status == 200
        return answer.text

    def hidden(text: str, name: str) -> str:
        return text.partition(f'name="{name}" value="')[2].partition('"')[0]

    def send(text: str, **fields: str) -> Answer:
        kept = {name: hidden(text, name) for name in ("form_token", "mark", "row")}
        return page.form("/verdict/history/row", {**kept, **fields}, Cookie=cookie)

    first = shown()
    assert "No period is entered yet" in first
    assert send(first, **{"from": "2025-01-01", "to": "2025-02-01", "gas_kwh": "310.5"}).status == 303
    assert send(shown(), **{"from": "2025-02-01", "to": "2025-03-01", "gas_kwh": "280", "pv_kwh": "90"}).status == 303
    assert [period.gas_kwh for period in read_history(file).periods] == [310.5, 280.0]

    before = file.read_bytes()
    refused = send(shown(), **{"from": "2025-02-20", "to": "2025-04-01", "gas_kwh": "33", "note": "by <hand>"})
    assert refused.status == 400
    assert "they overlap" in refused.text
    assert 'value="2025-02-20"' in refused.text
    assert "by &lt;hand&gt;" in refused.text
    assert file.read_bytes() == before

    stale = shown("?row=1")
    assert 'value="280"' in stale
    assert send(stale, **{"from": "2025-02-01", "to": "2025-03-01", "gas_kwh": "285"}).status == 303
    again = send(stale, **{"from": "2025-02-01", "to": "2025-03-01", "gas_kwh": "1"})
    assert again.status == 400
    assert "got another" in again.text
    assert read_history(file).periods[1].gas_kwh == 285
    assert read_history(file).periods[1].pv_kwh == 90
    assert send(shown("?row=0"), remove="yes").status == 303
    assert len(read_history(file).periods) == 1


def test_who_is_not_logged_in_sees_it_and_changes_nothing(page: Served, tmp_path: Path) -> None:
    answer = page.form("/verdict/history/row", {"from": "2025-01-01", "to": "2025-02-01", "gas_kwh": "3"})
    assert answer.status == 401
    assert "3" in answer.text
    assert not (tmp_path / "history.csv").exists()
    assert 'name="gas_kwh"' not in page.http("GET", "/verdict/history").text

"""The verdict reckoned in a process of its own is the same, and what prevents it is said."""

from pathlib import Path
from typing import Any

import pytest

from daemon.config.load import load
from daemon.documents.verdict_reckoning import _add_advice, reckon, reckon_apart
from rules.model.errors import BrimfulError
from tests.support.verdict_files import HARDWARE, history_file, home_file, ledger_file


def test_apart_or_here_it_is_the_same(tmp_path: Path) -> None:
    _, drawn = history_file(tmp_path)
    file = home_file(tmp_path, f'{HARDWARE}history = "past.csv"\ninstalled = {drawn.installed}\n')
    ledger_file(tmp_path, 90)
    document = reckon_apart(file)
    assert document == reckon(load(file), None, None, None)
    assert set(document["why_not"]) == {"fair_comparison"}


@pytest.mark.parametrize(
    ("rows", "more", "why"),
    [
        (
            "2025-01-01,2025-02-01,\n",
            "installed = 2026-05-01\n",
            "past.csv line 2, column electricity_kwh: expected what",
        ),
        ("2025-01-01,2025-02-01,300\n", "", "verdict.installed: expected the first day with the hardware"),
        ("2025-01-01,2025-02-01,300\n", "installed = 2026-05-01\n", "past.csv line 2, column from: expected periods"),
        (
            "2025-01-01,2025-02-01,300\n2025-02-01,2025-03-01,280\n",
            "installed = 2026-05-01\n",
            "past.csv line 3, column from: expected a period that begins on 2026-05-01 or later",
        ),
    ],
)
def test_a_history_that_cannot_be_compared_yet_leaves_the_other_parts(
    tmp_path: Path, rows: str, more: str, why: str
) -> None:
    (tmp_path / "past.csv").write_text(f"from,to,gas_kwh\n{rows}")
    hardware = HARDWARE.replace("bought = 2026-05-01\n", "")
    home = load(home_file(tmp_path, f'{hardware}history = "past.csv"\n{more}'))
    ledger_file(tmp_path, 60)
    document = reckon(home, None, None, None)
    assert document["before_after"] is None
    assert document["why_not"]["before_after"].startswith(why)
    assert document["against_export"] is not None
    assert document["year"] is not None


def test_the_same_loss_is_not_counted_twice() -> None:
    month = {"say": "Do not divert in June.", "per_year": 6.0, "about": "diverting"}
    rule = {"say": "Set [rules.worth] enabled = true.", "per_year": 9.0, "about": "worth"}
    for own, both in (([month], True), ([], False)):
        document: dict[str, Any] = {"advice": own, "notes": []}
        _add_advice(document, [rule], [])
        assert ("do not add up" in document["advice"][0]["say"]) is both


def test_what_prevents_it_is_said(tmp_path: Path) -> None:
    (tmp_path / "past.csv").write_text("from,to,gas_kwh\n2025-01-01,2025-02-01,-4\n")
    file = home_file(tmp_path, f'{HARDWARE}history = "past.csv"\n')
    with pytest.raises(BrimfulError, match=r"past\.csv line 2, column gas_kwh"):
        reckon_apart(file)
    with pytest.raises(BrimfulError, match="expected a home file"):
        reckon_apart(tmp_path / "none.toml")

"""The verdict reckoned in a process of its own is the same, and what prevents it is said."""

from pathlib import Path

import pytest

from daemon.config.load import load
from daemon.documents.verdict_reckoning import reckon, reckon_apart
from rules.model.errors import BrimfulError
from tests.support.verdict_files import HARDWARE, history_file, home_file, ledger_file


def test_apart_or_here_it_is_the_same(tmp_path: Path) -> None:
    _, drawn = history_file(tmp_path)
    file = home_file(tmp_path, f'{HARDWARE}history = "past.csv"\ninstalled = {drawn.installed}\n')
    ledger_file(tmp_path, 90)
    document = reckon_apart(file)
    assert document == reckon(load(file), None, None, None)
    assert set(document["why_not"]) == {"fair_comparison"}


def test_what_prevents_it_is_said(tmp_path: Path) -> None:
    (tmp_path / "past.csv").write_text("from,to,gas_kwh\n2025-01-01,2025-02-01,-4\n")
    file = home_file(tmp_path, f'{HARDWARE}history = "past.csv"\n')
    with pytest.raises(BrimfulError, match=r"past\.csv line 2, column gas_kwh"):
        reckon_apart(file)
    with pytest.raises(BrimfulError, match="expected a home file"):
        reckon_apart(tmp_path / "none.toml")

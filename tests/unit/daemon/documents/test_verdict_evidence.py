"""What the verdict goes by: a history that cannot be compared yet leaves the rest, and no loss is counted twice."""

from pathlib import Path
from typing import Any

import pytest

from daemon.config.load import load
from daemon.documents.verdict_reckoning import _add_advice, reckon
from tests.support.verdict_files import HARDWARE, home_file, ledger_file


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
    rule = {"say": "Set [rules.worth] enabled = true.", "per_year": 9.0, "about": "worth", "kg_per_year": 2.0}
    for own, both in (([month], True), ([], False)):
        document: dict[str, Any] = {"advice": own, "notes": []}
        _add_advice(document, [rule], [])
        assert ("do not add up" in document["advice"][0]["say"]) is both
        assert document["advice"][0]["kg_per_year"] == 2.0

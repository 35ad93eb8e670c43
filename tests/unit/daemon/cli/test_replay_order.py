"""A recording newest first, or with two rows swapped, is replayed as the same recording in order."""

import json
from pathlib import Path
from typing import Any

from click.testing import CliRunner

from daemon.cli.main import commands
from tests.unit.daemon.cli.test_set_aside import HOME


def replayed(folder: Path, rows: list[str]) -> tuple[dict[str, Any], str]:
    (folder / "home.toml").write_text(HOME)
    (folder / "readings.csv").write_text("time,grid_w,tank_level_pct,diverted_wh\n" + "".join(rows))
    done = CliRunner().invoke(commands, ["replay", str(folder / "home.toml"), str(folder / "readings.csv"), "--json"])
    assert done.exit_code == 0, done.output
    return json.loads(done.stdout), done.stderr


def test_the_order_of_the_rows_changes_nothing_but_what_is_said(tmp_path: Path) -> None:
    rows = [f"2026-06-01T{m // 60:02}:{m % 60:02}:00Z,-900,{40 + m / 60},{1203 + 20 * m}\n" for m in range(480)]
    answer, said = replayed(tmp_path, rows)
    assert answer["sorted"] is None
    assert answer["value"]["total"]["diverted_kwh"] == 9.58
    assert "order of time" not in said
    for mixed in (rows[::-1], [*rows[:200], rows[201], rows[200], *rows[202:]]):
        again, said = replayed(tmp_path, mixed)
        assert "put in order of time" in again["sorted"]
        assert again["sorted"] in said
        assert {**again, "sorted": None} == answer

"""The demo ends by itself, and its ledger is its diverter's counter."""

import json

import pytest
from click.testing import CliRunner

from daemon.cli.main import commands

pytestmark = pytest.mark.services


def test_the_demo_ends_with_a_statement_that_agrees_with_the_house() -> None:
    done = CliRunner().invoke(commands, ["demo", "--days", "1", "--headless", "--json"])
    assert done.exit_code == 0, done.output
    told = json.loads(done.stdout)
    assert told["schema"] == "brimful.demo/1"
    assert told["value"]["total"]["diverted_kwh"] == told["house"]["diverted_kwh"] > 1
    assert sum(row["diverted_kwh"] for row in told["value"]["rows"]) == told["value"]["total"]["diverted_kwh"]
    assert sum(told["decisions"]["seconds_by_order"].values()) == 86_400
    assert sum(told["decisions"]["seconds_by_guard"].values()) == 86_400
    assert set(told["decisions"]["seconds_by_order"]) == {"withhold", "surplus"}
    assert "full" in told["decisions"]["seconds_by_guard"]

"""A study for the page: what it takes, what it finds on the home's own tape, and how it is bounded."""

import io
import json
from collections.abc import Mapping
from pathlib import Path
from typing import Any
from zoneinfo import ZoneInfo

import pytest

from accounting.ledger import Batch, LedgerWriter
from accounting.ledger.tape import pack
from daemon.assembly.endpoints import facts
from daemon.config.load import load
from daemon.config.model import Home
from daemon.simulation.apart import Teller, work
from daemon.simulation.study.comparison import study
from daemon.simulation.study.what_if import WhatIf, asked
from daemon.web.page.trials import Begun
from daemon.web.page.views.what_if import keys_of, what_if_found
from rules.model.errors import BrimfulError
from tests.support import study_house

WITHIN_S = 120.0
DAYS = 9


@pytest.fixture
def home(tmp_path: Path) -> Home:
    """A house whose ledger has some days on tape."""
    file = tmp_path / "home.toml"
    file.write_text(study_house.HOME + "[ledger]\npath = 'books.sqlite'\n")
    made = load(file)
    rows = [
        (round(row["at_s"]) + 60, {name: row[name] for name in ("house_w", "pv_w", "drawn_wh")})
        for row in study_house.rows(DAYS)
    ]
    with LedgerWriter.open(made.path_of(made.ledger.path), facts(made)) as ledger:
        ledger.commit(Batch(rows[-1][0], tape=pack(rows)))
    return made


def test_it_finds_what_the_study_finds_and_the_page_shows_it(home: Home) -> None:
    settings = asked(home, {"rules.full.stop_at_pct": "40, 80", "diverter": "off"})
    run = WhatIf(home, settings)
    assert run.wait(WITHIN_S)
    assert (run.fault, run.done) == ("", 1.0)
    assert run.found is not None
    found = study(home.file, home.path_of(home.ledger.path), settings)
    assert [each["cost"] for each in run.found["variants"]] == [one.cost_micro / 1e6 for one in found.figures]

    shown = what_if_found(run.found, ZoneInfo(home.home.timezone))
    assert [row.name for row in shown.rows] == [
        "as it is",
        "diverter = off",
        "rules.full.stop_at_pct = 40",
        "rules.full.stop_at_pct = 80",
    ]
    assert shown.rows[0].more == ""
    assert shown.chart is not None
    bar = shown.chart.bars[0]
    told = run.found["variants"][1]["against_first"]["cost"]
    assert bar.dearer is (told > 0)
    assert bar.words == shown.rows[1].more
    assert float(bar.width[:-1]) > 0
    # Every bar begins or ends at the line of nothing, and stays within the picture.
    for each in shown.chart.bars:
        edges = float(each.x[:-1]), float(each.x[:-1]) + float(each.width[:-1])
        assert min(abs(edge - float(shown.chart.zero_x[:-1])) for edge in edges) < 0.002
        assert -0.001 <= edges[0] <= edges[1] <= 100.001


def test_one_at_a_time_and_what_takes_too_long_is_ended(home: Home) -> None:
    settings = asked(home, {"diverter": "off"})
    begun: Begun[WhatIf, str] = Begun()
    first, second = (
        begun.begin(lambda: WhatIf(home, settings), "1"),
        begun.begin(lambda: WhatIf(home, settings, longest_s=0.05), "2"),
    )
    for name, fault in ((first, "it was stopped"), (second, "it took longer than 0.05 s and was ended")):
        kept = begun.find(name)
        assert kept is not None
        assert kept[0].wait(WITHIN_S)
        assert kept[0].fault == fault


def test_what_needs_too_much_memory_says_so() -> None:
    def greedy(order: Mapping[str, Any], teller: Teller) -> Mapping[str, Any]:
        raise MemoryError

    out = io.StringIO()
    work(io.StringIO("{}"), out, greedy)
    assert json.loads(out.getvalue()) == {"fault": "it took more than 0 MiB of memory and was ended"}


@pytest.mark.parametrize(
    ("wanted", "named"),
    [
        ({}, "expected 1 to 2 keys, got 0"),
        ({"rules.full.stop_at_pct": "2000"}, "rules.full.stop_at_pct"),
        ({"rules.full.stop": "20"}, "rules.full.stop"),
        ({"rules.full.stop_at_pct": "1,2,3,4,5,6,7,8,9,10"}, "expected at most 8 variants"),
        ({"diverter": "perhaps"}, "expected on or off"),
    ],
)
def test_what_cannot_be_tried_is_refused_at_once(home: Home, wanted: dict[str, str], named: str) -> None:
    with pytest.raises(BrimfulError, match=named):
        asked(home, wanted)


def test_the_keys_that_are_proposed_can_be_tried(home: Home) -> None:
    keys = keys_of(home)
    assert {"rules.full.stop_at_pct", "tank.topup.level_pct", "diverter"} <= {key.key for key in keys}
    assert any(key.key.startswith("tariffs.import.") for key in keys)
    for key in keys:
        assert len(asked(home, {key.key: key.now})) == 2

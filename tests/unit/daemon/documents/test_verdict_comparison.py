"""A fair comparison from the ledger: by the tank's heat and by the whole house's meters, and why it cannot be told."""

from dataclasses import replace
from datetime import datetime
from pathlib import Path
from typing import Any

import pytest

from accounting.ledger import Batch, Facts, Ledger, LedgerWriter
from accounting.ledger.records import DecisionRow
from accounting.reports.days_paid import TankDays, tank_days
from accounting.verdict.fair_comparison import FairComparison, Measured, half_width
from daemon.config.load import load
from daemon.documents import verdict_comparison
from daemon.documents.comparison_document import comparison_answer, comparison_said
from daemon.documents.verdict_comparison import NONE_YET, compared_days
from rules.model.orders import Order
from tests.support.comparison_home import HOME, ZONE, home_file, ledger_file


def compared(folder: Path, text: str = HOME) -> FairComparison | str:
    with Ledger.open_reader(folder / "teal.sqlite") as ledger:
        return compared_days(load(home_file(folder, text)), ledger)


def told(found: FairComparison | str) -> FairComparison:
    assert isinstance(found, FairComparison), found
    return found


@pytest.fixture(scope="module")
def teal(tmp_path_factory: pytest.TempPathFactory) -> tuple[Path, float]:
    folder = tmp_path_factory.mktemp("teal")
    return folder, ledger_file(folder)[1]


def test_a_known_effect_is_recovered_by_both_ways(teal: tuple[Path, float]) -> None:
    folder, truth = teal
    found = told(compared(folder))
    assert isinstance(found.beside, Measured)
    for way in (found.main, found.beside):
        assert way.pairs == 6
        # One draw: the 99 % range. How often the 90 % range holds the truth is counted where the pairs are compared.
        half = half_width(way.saved.sd, way.pairs, 0.99)
        assert way.saved.per_day.value == pytest.approx(truth, abs=half)
        assert half < 2 * truth
        assert way.bought_kwh.per_day.value == pytest.approx(truth / 0.04, abs=half / 0.04)
    assert found.shows
    assert found.sun_off_kwh == 0
    assert (found.main.what, found.late, found.ahead) == ("tank", 0, 0)


def test_without_an_effect_it_says_so(tmp_path: Path) -> None:
    _, truth = ledger_file(tmp_path, effect=False)
    found = told(compared(tmp_path))
    assert truth == 0
    assert not found.shows
    said = comparison_said(comparison_answer(found, None), "EUR")
    assert "no difference can be seen" in said[0]
    assert any("more weeks" in sentence for sentence in said)


def test_what_was_written_after_it_began_does_not_count(tmp_path: Path) -> None:
    ledger_file(tmp_path, written_days_before=-9)
    found = told(compared(tmp_path))
    assert (found.main.pairs, found.late) == (4, 2)


def test_excluded_days_are_left_out(teal: tuple[Path, float]) -> None:
    text = HOME + '[verdict]\nexclude = [{ from = 2026-03-02, to = 2026-03-10, why = "guests" }]\n'
    found = told(compared(teal[0], text))
    assert (found.main.pairs, found.excluded_days) == (5, 6)
    said = comparison_said(comparison_answer(found, None), "EUR")
    assert any(sentence.startswith("6 days are excluded by [verdict] exclude") for sentence in said)
    text = HOME + '[verdict]\nexclude = [{ from = 2026-01-02, to = 2027-03-10, why = "guests" }]\n'
    assert "excluded" in str(compared(teal[0], text))


def test_a_boiler_that_is_not_heard_makes_it_unknown(teal: tuple[Path, float]) -> None:
    text = HOME.replace('tariff = "import"\n\n[ledger]', "price = 0.08\n\n[ledger]").replace("night electricity", "gas")
    assert "boiler_wh" in str(compared(teal[0], text))


def test_a_topup_that_is_not_heard_leaves_the_meters(teal: tuple[Path, float]) -> None:
    text = HOME.replace('[signals.topup_wh]\ntopic = "yard/topup"\n', "")
    found = told(compared(teal[0], text))
    assert found.main.what == "meters"
    assert "topup_wh" in str(found.beside)


def test_no_day_is_left_out_of_a_measure_that_there_is_not(
    teal: tuple[Path, float], monkeypatch: pytest.MonkeyPatch
) -> None:
    def lacking(*asked: Any) -> TankDays:
        days = tank_days(*asked)
        return replace(days, unpriced_kwh=dict.fromkeys(days.paid, 2.0))

    monkeypatch.setattr(verdict_comparison, "tank_days", lacking)
    left_out = "days are left out of the tank's"
    assert left_out in " ".join(comparison_said(comparison_answer(told(compared(teal[0])), None), "EUR"))
    text = HOME.replace('[signals.topup_wh]\ntopic = "yard/topup"\n', "")
    found = told(compared(teal[0], text))
    assert (found.main.what, found.unpriced_days, found.unpriced_kwh) == ("meters", 0, 0)
    assert left_out not in " ".join(comparison_said(comparison_answer(found, None), "EUR"))


def test_a_heater_that_could_take_watts_makes_no_heat_that_is_heard(teal: tuple[Path, float]) -> None:
    """Without grid_w its energy counts as sun, so the heat of the days off is as unheard as with a gate."""
    gate = 'kind = "gate"\nrated_w = 2800\ntopic = "yard/permit"\norders = { withhold = "0", surplus = "1" }\n'
    watts = 'kind = "modulated"\nrated_w = 2800\ntopic = "yard/permit"\n'
    text = HOME.replace('[signals.topup_wh]\ntopic = "yard/topup"\n', "").replace(gate, watts)
    assert watts in text
    found = told(compared(teal[0], text))
    assert found.main.what == "meters"
    assert "topup_wh" in str(found.beside)


def test_where_grid_and_sun_are_not_told_apart_no_heat_counts_as_diverted(tmp_path: Path) -> None:
    path, _ = ledger_file(tmp_path)
    at_s = datetime(2026, 3, 3, 11, tzinfo=ZONE).timestamp()
    orders = tuple(
        DecisionRow(at_s + hour * 3600, "main", order, None, "override", "said")
        for hour, order in ((0, Order.HEAT), (3, Order.WITHHOLD))
    )
    with LedgerWriter.open(path, Facts("Teal Yard", 30, "EUR", "Europe/Dublin", ("main",))) as writer:
        writer.commit(Batch(at_s + 90 * 86_400, decisions=orders))
    found = told(compared(tmp_path))
    assert found.main.what == "meters"
    assert "grid_w" in str(found.beside)
    assert found.sun_off_kwh is None
    assert not any("without diversion (an" in said for said in comparison_said(comparison_answer(found, None), "EUR"))


def test_a_boiler_without_a_price_is_not_free(teal: tuple[Path, float]) -> None:
    boiler = '[signals.boiler_wh]\ntopic = "yard/boiler"\n[tank.boiler]\ncounts = "fuel"\nefficiency = 0.8\n'
    assert "[tank.boiler]" in str(compared(teal[0], HOME.replace("[ledger]", f"{boiler}\n[ledger]")))


def test_meters_that_are_not_heard_leave_the_tank(teal: tuple[Path, float]) -> None:
    text = HOME.replace('[signals.import_wh]\ntopic = "yard/in"\n', "")
    found = told(compared(teal[0], text))
    assert found.main.what == "tank"
    assert "import_wh" in str(found.beside)


def test_a_home_without_one_is_offered_it(tmp_path: Path) -> None:
    from tests.support.verdict_files import ledger_file as plain

    plain(tmp_path, 3, name="teal.sqlite")
    assert compared(tmp_path) == NONE_YET


def test_what_it_says(teal: tuple[Path, float]) -> None:
    found = told(compared(teal[0]))
    document: dict[str, Any] = comparison_answer(found, 0.001)
    said = " ".join(comparison_said(document, "EUR"))
    for words in (
        "6 pairs of blocks",
        "a day with diversion saved",
        "kWh of electricity and fuel less was bought for the tank",
        "first days of each block",
    ):
        assert words in said
    assert document["weeks_more"][0]["within_per_day"] == 0.001
    assert document["measured_by"] == "tank"
    assert (
        "If diverting changed nothing, 3 % of all orders of the days would show so large a difference in money" in said
    )
    dearer = {
        **document,
        "measured_by": "meters",
        "bought_kwh_less_per_day": -0.5,
        "bought_kwh_less_per_day_low": -1.25,
    }
    (sentence,) = [each for each in comparison_said(dearer, "EUR") if "was bought" in each]
    assert (
        "0.50 kWh of electricity and fuel more was bought by the whole house, what it sold not taken off," in sentence
    )
    assert "(from 1.25 more to" in sentence

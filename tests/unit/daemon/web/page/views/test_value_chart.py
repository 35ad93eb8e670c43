"""Value as a picture: base, gain and loss, net above, the sum beneath, prices that change, and years on the axis."""

from datetime import datetime, timedelta
from typing import Any
from zoneinfo import ZoneInfo

import pytest

from daemon.web.page.views.value_chart import HEIGHT, SUM_HEIGHT, price_changes, value_chart
from tests.support.homes import SMALL, home

ZONE = ZoneInfo("Europe/Dublin")


def rows(*figures: tuple[float, float], start: str = "2026-06-01", bought: float = 0.0) -> list[dict[str, Any]]:
    """Days with what was avoided and what was given up."""
    first = datetime.fromisoformat(start).replace(tzinfo=ZONE)
    return [
        {
            "start": (first + timedelta(days=n)).isoformat(),
            "end": (first + timedelta(days=n + 1)).isoformat(),
            "avoided": avoided,
            "given_up": given_up,
            "bought": bought,
            "net": avoided - given_up - bought,
            "diverted_kwh": 5.0,
        }
        for n, (avoided, given_up) in enumerate(figures)
    ]


def chart(told: list[dict[str, Any]], *changes: tuple[float, str]):  # type: ignore[no-untyped-def]
    made = value_chart(told, "day", "EUR", [row["start"][5:10] for row in told], changes)
    assert made is not None
    return made


def test_on_the_base_of_the_lesser_side_stands_what_was_gained_or_lost() -> None:
    gain, loss = chart(rows((1.0, 0.4), (0.5, 2.0))).bars
    assert (gain.base_h, gain.net_h, gain.gained) == (0.4 / 2 * HEIGHT, 0.6 / 2 * HEIGHT, True)
    assert (loss.base_h, loss.net_h, loss.gained) == (0.5 / 2 * HEIGHT, 1.5 / 2 * HEIGHT, False)
    assert [bar.net for bar in (gain, loss)] == ["+0.60", "−1.50"]
    for bar in (gain, loss):
        assert bar.base_y + bar.base_h == pytest.approx(HEIGHT)
        assert bar.net_y + bar.net_h == pytest.approx(bar.base_y)


def test_what_was_bought_counts_on_the_side_of_the_cost() -> None:
    (bar,) = chart(rows((1.0, 0.2), bought=0.3)).bars
    assert bar.base_h / bar.net_h == pytest.approx(1.0)
    assert bar.net == "+0.50"


def test_money_for_taking_the_export_away_is_a_gain_from_nothing_up() -> None:
    (bar,) = chart(rows((0.5, -0.2))).bars
    assert bar.base_h == 0
    assert bar.gained


def test_the_sum_beneath_ends_where_the_total_is() -> None:
    made = chart(rows((1.0, 0.4), (0.5, 2.0), (1.0, 0.8)))
    assert made.sum_end == "−0.70 EUR"
    assert made.sum_path.startswith("M0.0 ")
    assert made.sum_path.count("L") == 3
    assert 0 < made.sum_zero < SUM_HEIGHT


def test_a_changed_price_is_marked_where_it_changes_with_its_figure() -> None:
    text = SMALL.replace("Europe/Lisbon", "Europe/Dublin") + (
        '[tariffs.export]\ndirection = "export"\n'
        '[[tariffs.export.periods]]\nfrom = 2020-01-01\nto = 2026-06-02\nbands = [{ name = "all", price = 0.0583 }]\n'
        '[[tariffs.export.periods]]\nfrom = 2026-06-02\nbands = [{ name = "all", price = 0.0917 }]\n'
    )
    changes = price_changes(home(text))
    assert [words for _, words in changes] == ["export 0.0917"]
    (mark,) = chart(rows((1, 0.4), (1, 0.4)), *changes).marks
    assert (mark.x, mark.words) == ("50.000%", "export 0.0917")
    assert chart(rows((1, 0.4), start="2026-07-01"), *changes).marks == ()


def test_the_axis_names_the_year_and_says_when_it_is_another() -> None:
    made = chart(rows(*[(1.0, 0.4)] * 40, start="2025-12-10"))
    for screen in ("wide", "narrow"):
        named = [label for label in made.labels if label.screens == screen]
        assert [label.year for label in named if label.year] == ["2025", "2026"]
        assert named[0].anchor == "start", "no word is cut off at the edge"
        assert len(named) <= 9


def test_nothing_is_drawn_of_nothing_and_nothings_are_flat() -> None:
    assert value_chart([], "day", "EUR", [], []) is None
    (bar,) = chart(rows((0.0, 0.0))).bars
    assert (bar.base_h, bar.net_h) == (0, 0)

"""The plan in words where another rule heats in its hours: no sentence may contradict what the heater does."""

from typing import Any

from daemon.planning.statement import against_sentence, basis, headline

HYGIENE = {"rule": "hygiene", "from": "2026-06-14T00:00:00Z", "to": "2026-06-14T04:00:00Z"}
RUN = {"from": "2026-06-14T05:00:00Z", "to": "2026-06-14T05:30:00Z", "wh": 1200, "target_level_pct": 20.0}


def document(given_wh: int = 12_800, runs: tuple[dict[str, Any], ...] = (), **planned: float) -> dict[str, Any]:
    nothing = {"level_pct": 0.0, "net_cost": 0.10, "cold_risk": 0.04}
    return {
        "runs": list(runs),
        "expected_cost": 0.0,
        "currency": "EUR",
        "timezone": "UTC",
        "from": "2026-06-13T21:00:00Z",
        "to": "2026-06-14T21:00:00Z",
        "cold_risk": 0.0,
        "boiler_price": None,
        "heatings": [HYGIENE] if given_wh else [],
        "given_wh": given_wh,
        "choices": [{**nothing, "level_pct": None, **planned}, nothing],
    }


def test_the_headline_says_what_another_rule_buys() -> None:
    bare = headline(document())
    assert bare.startswith(
        "Heat nothing from the grid until 21:00 tomorrow besides the 12.8 kWh bought for hygiene."
        " Expected cost without those 0.00 EUR."
    )
    run = headline(document(runs=(RUN,)))
    assert "to a level of 20 %, besides the 12.8 kWh bought for hygiene. Expected cost without those until" in run


def test_both_rules_are_named() -> None:
    both = document() | {"heatings": [HYGIENE, {**HYGIENE, "rule": "away"}]}
    assert "bought for hygiene and your return" in headline(both)


def test_where_no_other_rule_heats_nothing_is_said_of_it() -> None:
    plain = document(0)
    said = headline(plain) + against_sentence(plain) + basis(plain)
    assert "Heat nothing from the grid until 21:00 tomorrow. Expected cost 0.00 EUR." in said
    assert "hygiene" not in said
    assert "other heat" not in said


def test_the_plan_is_set_against_no_other_heat_from_the_grid() -> None:
    said = against_sentence(document(net_cost=0.02, cold_risk=0.0))
    assert said.startswith("Against no other heat from the grid, the plan costs 0.08 EUR less,")
    assert "0 instead of 4 of 100" in said
    assert against_sentence(document(0, net_cost=0.02)).startswith("Against no heat from the grid at all, the plan")


def test_a_plan_that_changes_nothing_is_not_said_to_save_nothing() -> None:
    assert against_sentence(document()) == (
        "Against no other heat from the grid, the plan costs the same, the heat left counted, and falls short as often."
    )


def test_the_table_s_basis_says_that_the_other_rule_heats_in_every_row() -> None:
    said = basis(document())
    assert "In every row the tank is also heated for hygiene: with 12.8 kWh from the grid as planned." in said
    assert "what heat bought for hygiene costs" in said

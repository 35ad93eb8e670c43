"""What always holds of the planner and the game it is measured in."""

from dataclasses import replace
from datetime import UTC, datetime, timedelta
from itertools import accumulate, pairwise
from random import Random

import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from rules.planning.marginal import Cooling, before_draw, before_purchase
from rules.planning.policy import choose
from rules.planning.store import HALF_HOURS_A_DAY, Store
from tests.bench.night_case import Case, Row
from tests.bench.night_game import play_plan
from tests.bench.night_rivals import Account, fixed, foresight
from tests.support.planning import half_hours, policy, scenario

FALLING = st.lists(st.floats(0.0, 1.0), min_size=2, max_size=12).map(lambda steps: list(accumulate(steps))[::-1])
CELLS = st.floats(0.0, 15.0)


def falls(worth: list[float]) -> bool:
    return all(above <= here + 1e-9 for here, above in pairwise(worth))


@given(FALLING, CELLS, st.floats(-1.0, 13.0))
def test_a_purchase_saves_exactly_what_is_bought_below_its_worth(
    worth: list[float], cells: float, price: float
) -> None:
    after = before_purchase(worth, cells, price)
    assert len(after) == len(worth)
    assert falls(after)
    assert all(new <= max(old, price) + 1e-9 for new, old in zip(after, worth, strict=True))
    # An empty tank's advantage: the first `cells` of what is worth more than the price, each at that price.
    dear = [value for value in worth if value > price]
    taken = min(cells, len(dear))
    saved = sum(min(max(taken - at, 0.0), 1.0) * (value - price) for at, value in enumerate(dear))
    assert sum(worth) - sum(after) == pytest.approx(saved, abs=1e-6)


@given(FALLING, CELLS)
def test_a_draw_and_a_loss_keep_worth_falling(worth: list[float], cells: float) -> None:
    dearest = worth[0] + 0.5
    assert falls(before_draw(worth, cells, dearest))
    assert falls(Cooling.of(0.03, len(worth)).before(worth))


@given(FALLING, st.floats(0.0, 0.99))
def test_a_loss_values_the_full_tank_at_what_is_left_of_it(worth: list[float], loss: float) -> None:
    kept = (1 - loss) * len(worth)
    whole = int(kept)
    left = sum(worth[:whole]) + (kept - whole) * (worth[whole] if whole < len(worth) else 0.0)
    assert sum(Cooling.of(loss, len(worth)).before(worth)) == pytest.approx(left, abs=1e-6)


@given(
    FALLING,
    st.floats(0.0, 1.0),
    st.floats(0.0, 1.0),
    st.floats(0.0, 3000.0),
    st.floats(-1000.0, 13_000.0),
    st.floats(-1000.0, 13_000.0),
)
def test_a_decision_keeps_to_power_surplus_and_capacity(
    worth: list[float], filled: float, reserved: float, surplus_wh: float, buy: float, sell: float
) -> None:
    store = Store(5000.0, 3000.0, 0.01, 1.0, reserve_wh=5000.0 * reserved)
    stock_wh = 5000.0 * filled
    decision = choose(store, worth, stock_wh, surplus_wh, buy, sell)
    assert 0.0 <= decision.sun_wh <= surplus_wh
    assert decision.grid_wh >= 0.0
    assert decision.sun_wh + decision.grid_wh <= 1500.0 + 1e-6
    assert stock_wh + decision.sun_wh + decision.grid_wh <= 5000.0 + 1e-6
    # Beyond the reserve nothing is bought for more than the first Wh is worth.
    if stock_wh >= store.reserve_wh:
        assert decision.grid_wh == 0.0 or buy / 1000 < worth[0]
        assert decision.sun_wh == 0.0 or sell / 1000 < worth[0]


START = datetime(2024, 3, 29, 0, tzinfo=UTC)


def made_case(seed: int, days: int, **changed: float) -> Case:
    """A case of random half hours, with a clock change after two days (31 March 2024)."""
    from zoneinfo import ZoneInfo

    chance, zone, rows = Random(seed), ZoneInfo("Europe/Paris"), []
    for at in range(days * HALF_HOURS_A_DAY):
        start = START + timedelta(minutes=30 * at)
        local = start.astimezone(zone)
        sunny = 9 <= local.hour < 16
        rows.append(
            Row(
                start,
                local.toordinal(),
                local.weekday(),
                local.hour * 2 + local.minute // 30,
                chance.choice([0.0, 400.0, 1500.0]) if sunny else 0.0,
                chance.choice([0.0, 0.0, 200.0, 900.0]) if local.hour in (6, 7, 12, 19, 21) else 0.0,
                round(chance.uniform(-0.05, 0.4), 3),
                round(chance.uniform(-0.05, 0.2), 3),
            )
        )
    store = Store(
        **{"capacity_wh": 6000.0, "power_w": 2400.0, "loss_per_half_hour": 0.004, "missing_price": 0.5, **changed}
    )
    return Case("made", store, 0.5 * store.capacity_wh, tuple(rows), len(rows), 0)


@settings(max_examples=6, deadline=None)
@given(
    st.integers(0, 10_000),
    st.sampled_from([0.0, 900.0, 20_000.0]),
    st.sampled_from([0.0, 700.0, 12_000.0]),
    st.sampled_from([0.0, 0.2]),
)
def test_no_play_breaks_the_rules_and_none_beats_foresight(
    seed: int, capacity: float, power: float, loss: float
) -> None:
    case = made_case(seed, 4, capacity_wh=capacity, power_w=power, loss_per_half_hour=loss)
    case = replace(case, start_wh=0.0)  # so that every play ends with at least the start's stock, as foresight must
    account, lines, _ = play_plan(case)
    assert len(lines) == case.played
    assert account.settled >= foresight(case) - 1e-6
    assert min(fixed(case).values()) >= foresight(case) - 1e-6


def test_what_has_not_come_yet_changes_no_decision() -> None:
    """With other half hours from noon of the third day on, and other prices after its tomorrow, it decides the same."""
    case = made_case(1, 6)
    until = 2 * HALF_HOURS_A_DAY + 24
    tomorrow = case.rows[until].day + 1
    other = made_case(2, 6).rows
    scrambled = tuple(
        row
        if at < until
        else replace(other[at], import_price=row.import_price, export_price=row.export_price)
        if row.day <= tomorrow
        else other[at]
        for at, row in enumerate(case.rows)
    )
    _, whole, _ = play_plan(case)
    _, so_far, _ = play_plan(replace(case, rows=scrambled, played=until))
    _, others, _ = play_plan(replace(case, rows=scrambled))
    assert so_far == whole[:until]
    assert others[:until] == whole[:until]
    assert others[until:] != whole[until:]


def test_the_same_case_gives_the_same_decisions() -> None:
    assert play_plan(made_case(3, 4))[1] == play_plan(made_case(3, 4))[1]


@pytest.mark.parametrize("seed", range(4))
def test_with_the_truth_as_the_only_scenario_it_is_the_linear_programme(seed: int) -> None:
    """From an empty tank to an end at which heat is worth nothing; the grid of 200 cells costs at most 2 %."""
    chance = Random(seed)
    prices = [round(chance.uniform(0.02, 0.4), 3) for _ in range(HALF_HOURS_A_DAY - 1)] + [0.0]
    surplus = [chance.choice([0.0, 300.0, 900.0]) if 18 <= slot < 32 else 0.0 for slot in range(HALF_HOURS_A_DAY)]
    drawn = [chance.choice([0.0, 0.0, 600.0, 1200.0]) if slot > 4 else 0.0 for slot in range(HALF_HOURS_A_DAY)]
    store = Store(6000.0, 2400.0, 0.004, 0.6)
    hours = half_hours(10, 1, prices, 0.06)
    rows = tuple(
        Row(START, hour.day, hour.weekday, hour.slot, surplus[hour.slot], drawn[hour.slot], hour.import_price, 0.06)
        for hour in hours
    )
    case = Case("one day", store, 0.0, rows, len(rows), 0)
    assert case.end_price == 0.0
    made = policy([scenario(1, surplus, drawn)], hours, store, end_price=0.0, cells=200)
    account = Account(case)
    for at, row in enumerate(rows):
        account.serve(row)
        decision = choose(
            store, made.worth(at, [1.0]), account.stock_wh, row.surplus_wh or 0.0, row.import_price, row.export_price
        )
        account.put(row, decision.sun_wh, decision.grid_wh)
    best = foresight(case)
    assert best > 0.1
    assert best - 1e-9 <= account.settled <= 1.02 * best

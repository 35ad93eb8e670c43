"""Tonight's plan from the ledger to the heater: ordered in its hours, ended at its level, and not ordered when off."""

from datetime import timedelta
from pathlib import Path

from daemon.planning.nightly import Nightly
from daemon.runtime.following import Following
from rules.model.orders import Order
from rules.model.settings import Heater
from tests.support.live_house import STALE_AFTER_S, Hands, LiveHouse
from tests.support.planned_past import HOME, START, lived
from tests.support.rules_case import settings

NOW_S = (START + timedelta(days=8, hours=21)).timestamp() + 400
FOLLOWS = settings(
    heaters=(Heater("main", "gate", 3000.0, 100.0, can_heat=True),),
    stale_after_s={**STALE_AFTER_S, "grid_w": 1e6, "tank_level_pct": 1e6},
    follows_plan=True,
)


def test_the_heater_follows_the_plan_made_of_the_ledger(tmp_path: Path) -> None:
    home = lived(tmp_path, 8, hours=21, level_pct=5.0, home=HOME + '[plan]\nmode = "follow"\n').home
    with LiveHouse(tmp_path, Hands(NOW_S), rules=FOLLOWS) as house:
        house.live(1, grid_w=400.0, tank_level_pct=5.0)
        following = Following(house.controller, Nightly(lambda: home, lambda: None, beside=False))
        following.look(house.clock.now())
        following.take(house.clock.now())
        planned = house.engine.memory.planned
        assert planned is not None
        run = planned.runs[0]
        assert house.order is Order.WITHHOLD
        house.clock.go_on(run.from_s - house.clock.now().utc_s)
        house.settle()  # time alone: no reading comes
        assert house.order is Order.HEAT
        house.live(600, grid_w=3400.0, tank_level_pct=run.level_pct - 1)
        assert house.order is Order.HEAT
        house.live(600, grid_w=3400.0, tank_level_pct=run.level_pct)
        assert house.order is Order.WITHHOLD
        house.live(60, grid_w=400.0, tank_level_pct=run.level_pct - 8)
        assert house.order is Order.HEAT
        house.clock.go_on(run.to_s - house.clock.now().utc_s)
        house.settle()
        assert house.order is Order.WITHHOLD


def test_switched_to_advise_what_is_under_way_ends(tmp_path: Path) -> None:
    text = HOME.replace("[tank]", '[plan]\nmode = "follow"\n[tank]')
    homes = [lived(tmp_path, 3, hours=21, level_pct=5.0, home=text).home]
    homes.append(homes[0].model_copy(update={"plan": homes[0].plan.model_copy(update={"mode": "advise"})}))
    with LiveHouse(tmp_path, Hands(NOW_S - 5 * 86_400), rules=FOLLOWS) as house:
        house.live(1, grid_w=400.0, tank_level_pct=5.0)
        following = Following(house.controller, Nightly(lambda: homes[0], lambda: None, beside=False))
        following.look(house.clock.now())
        following.take(house.clock.now())
        planned = house.engine.memory.planned
        assert planned is not None
        house.clock.go_on(planned.runs[0].from_s - house.clock.now().utc_s)
        house.settle()
        assert house.order is Order.HEAT
        del homes[0]
        following.look(house.clock.now())
        assert house.order is Order.WITHHOLD


def test_a_plan_is_let_go_while_the_clock_is_doubted_and_made_anew_at_once_when_it_is_right(tmp_path: Path) -> None:
    home = lived(tmp_path, 8, hours=21, level_pct=5.0, home=HOME + '[plan]\nmode = "follow"\n').home
    with LiveHouse(tmp_path, Hands(NOW_S), rules=FOLLOWS) as house:
        house.live(1, grid_w=400.0, tank_level_pct=5.0)
        nightly = Nightly(lambda: home, lambda: None, beside=False)
        following = Following(house.controller, nightly)
        following.look(house.clock.now())
        following.take(house.clock.now())
        planned = house.engine.memory.planned
        assert planned is not None
        ahead_s = 3 * 86_400 + planned.runs[0].from_s - NOW_S
        house.clock.set(ahead_s)
        house.settle()
        assert "nothing is heated for a plan" in house.controller.dating.fault
        assert house.engine.memory.planned is None
        following.look(house.clock.now())
        assert nightly.document is None
        house.clock.set(-ahead_s)
        house.settle()
        following.look(house.clock.now())
        following.take(house.clock.now())
        assert house.engine.memory.planned is not None
        assert nightly.document is not None

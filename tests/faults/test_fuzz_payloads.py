"""Hostile payloads through decoding, freshness, rules and books: counted refusals, no wrong order, no growth."""

import time
from concurrent.futures import ProcessPoolExecutor
from multiprocessing import get_context
from random import Random
from typing import NamedTuple

import pytest

from daemon.assembly.prepared_home import prepare
from rules.model.orders import Order
from tests.support import hostile
from tests.support.fired_at import Fired
from tests.support.homes import home

GATE = """\
[home]
name = "Heron Mill"
timezone = "Europe/Dublin"
currency = "EUR"

[signals.grid_w]
topic = "mill/meter"
pointer = "/w"
time_pointer = "/t"
scale = 1.0

[signals.diverted_wh]
topic = "mill/meter"
pointer = "/wh"
time_pointer = "/t"
scale = 1000.0

[signals.tank_level_pct]
topic = "mill/tank"
minimum = 0
maximum = 100
stale_after_s = 600
words = { empty = 0, full = 100 }

[signals.tank_top_c]
topic = "mill/top"
pointer = "/temps/0"
offset = -0.5

[signals.battery_w]
topic = "mill/battery"
pointer = "/b~1w"

[signals.battery_level_pct]
topic = "mill/battery"
pointer = "/charge"

[signals.car_w]
topic = "mill/car"
words = { idle = 0 }

[heaters.main]
kind = "gate"
rated_w = 3000
topic = "mill/permit"
orders = { withhold = "0", surplus = "1", heat = "2" }

[rules.battery]
minimum_level_pct = 20

[rules.yield]
signal = "car_w"
above_w = 1400
for_s = 60
"""
PAIR = """\
[home]
name = "Plover Barn"
timezone = "Australia/Adelaide"
currency = "AUD"
interval_minutes = 15

[signals.surplus_w]
topic = "barn/surplus"
scale = -1.0

[signals.tank_top_c]
topic = "barn/tank"
pointer = "/top"
time_pointer = "/at/t"

[signals.tank_bottom_c]
topic = "barn/tank"
pointer = "/bottom"
time_pointer = "/at/t"

[signals.diverted_w_upper]
topic = "barn/upper"

[signals.diverted_w_lower]
topic = "barn/lower"
pointer = "/w"

[signals.diverted_wh_lower]
topic = "barn/lower"
pointer = "/wh"

[heaters.lower]
kind = "modulated"
rated_w = 3600
minimum_w = 300
topic = "barn/lower/order"

[heaters.upper]
kind = "gate"
rated_w = 1200
topic = "barn/upper/order"
orders = { withhold = "off", surplus = "on" }

[rules.heaters]
together = true

[tank]
volume_l = 315
loss_w = 74.5
"""
HOMES = {"gate": GATE, "pair": PAIR}
MOST_BLOCKS = 5_000
MOST_GROWTH_BYTES = 1_000_000


class Round(NamedTuple):
    """What came of one house under fire. blocks, bytes: growth after the first fifth."""

    payloads: int
    readings: int
    refused: int
    blocks: int
    bytes: int
    seconds: float


def fire(name: str, seed: int, count: int) -> Round:
    """Fire `count` hostile payloads, and a well one among five, at a house."""
    dice = Random(seed)
    house = Fired(prepare(home(HOMES[name])), dice)
    began = time.perf_counter()
    fired = 0
    settled: hostile.Held | None = None
    while fired < count:
        house.clock.forward(dice.choice((0.0, 0.1, 1.0, 5.0)) if dice.random() < 0.999 else dice.uniform(0, 2000))
        if dice.random() < 0.001:
            house.clock.set_wall(house.clock.utc_s + dice.uniform(-7200, 7200))
        topic = dice.choice(house.topics)
        retained = dice.random() < 0.05
        if dice.random() < 0.2:  # else no heater would ever be on, and no order could be wrong
            house.shot(house.well(topic), topic, retained)
        else:
            house.shot(house.hostile(topic), topic, retained)
            fired += 1
        if dice.random() < 0.002:
            house.override()
        if dice.random() < 0.02:
            house.look()
        if settled is None and fired >= count // 5:
            settled = hostile.Held()
    assert settled is not None
    held = hostile.Held()
    tallies = house.listener.tallies
    assert len({reason for tally in tallies for reason in tally.refused}) <= 20, "reasons are a small fixed set"
    assert house.orders[Order.SURPLUS] > count // 1000, "some orders could have been wrong"
    assert house.orders[Order.WITHHOLD] > count // 10
    assert house.accepted > count // 10
    assert house.unread < house.accepted // 10, "nearly every value has a second opinion"
    assert house.settled
    return Round(
        house.payloads,
        house.accepted,
        sum(sum(tally.refused.values()) for tally in tallies),
        held.blocks - settled.blocks,
        held.resident_bytes - settled.resident_bytes,
        time.perf_counter() - began,
    )


def told(seed: int, rounds: list[Round]) -> str:
    """The closing line."""
    return (
        f"\n{sum(each.payloads for each in rounds):,} payloads tried (seed {seed}) in"
        f" {max(each.seconds for each in rounds):.0f} s: {sum(each.readings for each in rounds):,} readings taken,"
        f" {sum(each.refused for each in rounds):,} refused, 0 wrong orders; after the first fifth"
        f" {max(each.blocks for each in rounds):+,} Python blocks, {max(each.bytes for each in rounds) / 1000:+,.0f} kB"
    )


@pytest.mark.parametrize("name", HOMES)
def test_hostile_payloads_are_counted_and_give_no_order(name: str) -> None:
    done = fire(name, 1, 12_000)
    print(told(1, [done]))
    assert done.blocks < MOST_BLOCKS


@pytest.mark.long
def test_a_million_hostile_payloads() -> None:
    with ProcessPoolExecutor(2, mp_context=get_context("spawn")) as workers:
        rounds = [each.result() for each in [workers.submit(fire, name, 7, 510_000) for name in HOMES]]
    print(told(7, rounds))
    assert sum(each.payloads for each in rounds) > 1_000_000
    assert max(each.blocks for each in rounds) < MOST_BLOCKS
    assert max(each.bytes for each in rounds) < MOST_GROWTH_BYTES

"""The engine: board, rules and books in one step, and the tally of what was decided."""

from dataclasses import replace
from datetime import date, time
from fractions import Fraction

import pytest

from accounting.books.booking import Books, BooksSettings, HeaterBooks
from accounting.pricing.bands import Band, Period
from accounting.pricing.displaced import Displaced
from accounting.pricing.signal_series import HeardSeries
from accounting.pricing.tariffs import Tariff
from daemon.control.engine import Engine
from daemon.control.signal_state import Board, Wiring
from rules.model.memory import Memory
from rules.model.orders import Order
from rules.model.reading import NEVER_LIVE_S, Moment, Reading
from rules.model.settings import Away, Full, Settings, Worth
from tests.support.rules_case import START_UTC_S, moment, settings

WIRING = Wiring(("grid_w", -1.0), True, (None,), ("diverted_wh",), None, None, 10.0, 60.0)
STALE_AFTER_S = {"grid_w": 60.0, "tank_level_pct": 600.0, "diverted_wh": 60.0}


def made(rules: Settings | None = None, **prices: object) -> Engine:
    rules = rules or settings(stale_after_s=STALE_AFTER_S)
    books = Books(BooksSettings((HeaterBooks("main", 3000.0, counter="diverted_wh"),), **prices))  # type: ignore[arg-type]
    return Engine(rules, Board(rules, WIRING), books, Memory())


def heard(at_s: float, **values: float) -> list[Reading]:
    return [Reading(name, value, START_UTC_S + at_s, at_s) for name, value in values.items()]


def test_readings_become_a_decision() -> None:
    engine = made()
    assert engine.decision is None
    decision = engine.hear(heard(0.0, grid_w=-500.0, tank_level_pct=50.0), moment(0.0))
    assert decision is engine.decision
    assert (decision.lead.order, decision.lead.guard) == (Order.SURPLUS, "surplus")
    assert engine.due_s == 60.0
    assert engine.explain(moment(0.0)).order is Order.SURPLUS


def test_at_the_due_second_time_alone_changes_the_decision() -> None:
    engine = made()
    engine.hear(heard(0.0, grid_w=-500.0, tank_level_pct=50.0), moment(0.0))
    decision = engine.decide(moment(engine.due_s))
    assert (decision.lead.order, decision.lead.guard) == (Order.WITHHOLD, "fresh")


def test_a_message_with_nothing_new_gives_the_very_decision_that_stood() -> None:
    engine = made()
    first = engine.hear(heard(0.0, grid_w=-500.0, tank_level_pct=50.0), moment(0.0))
    assert engine.hear(heard(10.0, grid_w=-501.0), moment(10.0)) is first


def test_the_books_take_what_is_live_and_leave_retained_copies() -> None:
    engine = made()
    old = [Reading("diverted_wh", 1000.0, START_UTC_S, NEVER_LIVE_S)]
    engine.hear(old, moment(0.0))
    engine.hear(heard(60.0, diverted_wh=1010.0), moment(60.0))
    assert [entry.diverted_wh for entry in engine.books.open_entries(START_UTC_S + 60)] == []
    engine.hear(heard(120.0, diverted_wh=1030.0), moment(120.0))
    assert [entry.diverted_wh for entry in engine.books.open_entries(START_UTC_S + 120)] == [20]


def test_the_books_put_an_older_reading_in_place_which_the_board_passes_over() -> None:
    engine = made()
    engine.hear(heard(0.0, diverted_wh=1000.0, grid_w=5.0), moment(0.0))
    engine.hear(heard(60.0, diverted_wh=1030.0, grid_w=6.0), moment(60.0))
    engine.hear(heard(30.0, diverted_wh=1020.0, grid_w=7.0), moment(60.0))
    assert engine.board.latest["grid_w"].value == 6.0
    assert engine.books.counts()["main"].too_late == 0
    assert engine.books.open_entries(START_UTC_S + 60)[0].diverted_wh == 30


# The tally


def test_the_tally_adds_up_to_the_time_that_passed() -> None:
    engine = made()
    engine.decide(moment(5.0))
    engine.hear(heard(10.0, grid_w=-500.0, tank_level_pct=50.0), moment(10.0))
    engine.hear(heard(40.0, tank_level_pct=96.0), moment(40.0))
    engine.hear(heard(45.0, tank_level_pct=96.0), moment(45.0))
    decision = engine.hear(heard(50.0, tank_level_pct=80.0), moment(50.0))
    engine.count_up_to(moment(57.0), decision)
    assert engine.tally.by_order == {"withhold": 5.0 + 10.0, "surplus": 30.0 + 7.0}
    assert engine.tally.by_guard == {"fresh": 5.0, "surplus": 37.0, "full": 10.0}
    assert engine.tally.changes == 3


def test_another_reason_for_the_same_order_is_no_change_of_order() -> None:
    engine = made()
    engine.decide(moment(0.0))
    decision = engine.hear(heard(10.0, grid_w=-500.0, tank_level_pct=96.0), moment(10.0))
    engine.count_up_to(moment(30.0), decision)
    assert engine.tally.changes == 0
    assert engine.tally.by_guard == {"fresh": 10.0, "full": 20.0}


# Changed rules


def full_at_90(engine: Engine) -> None:
    engine.hear(heard(0.0, grid_w=-500.0, tank_level_pct=96.0), moment(0.0))
    engine.hear(heard(10.0, tank_level_pct=90.0), moment(10.0))
    assert engine.decision is not None
    assert engine.decision.lead.guard == "full"


def test_other_levels_of_full_are_judged_anew() -> None:
    engine = made()
    full_at_90(engine)
    engine.adopt(replace(engine.settings, full=Full(97.0, 85.0)), WIRING)
    assert engine.decide(moment(11.0)).lead.order is Order.SURPLUS


def test_other_figures_of_the_full_rule_leave_a_full_tank_full() -> None:
    engine = made()
    full_at_90(engine)
    engine.adopt(replace(engine.settings, full=Full(idle_w=50.0)), WIRING)
    assert engine.decide(moment(11.0)).lead.guard == "full"


def test_a_beginning_of_control_gives_the_board_the_order_that_stands_already() -> None:
    """A counter is read by what its heater is ordered: on, it is taken to draw what is left of the surplus."""
    control = settings(stale_after_s=STALE_AFTER_S)
    engine = made(replace(control, watching=True))
    engine.hear(heard(0.0, grid_w=-500.0, tank_level_pct=50.0, diverted_wh=1000.0), moment(0.0))
    given: list[list[Order]] = []
    ordered, left_alone = engine.board.ordered, engine.board.left_alone
    engine.board.ordered = lambda decision, at_s: (  # type: ignore[method-assign, func-returns-value]
        given.append([one.order for one in decision.orders]) or ordered(decision, at_s)
    )
    engine.board.left_alone = lambda: given.append([]) or left_alone()  # type: ignore[method-assign, func-returns-value]
    engine.decide(moment(1.0))
    assert given == []
    engine.adopt(control, WIRING)
    for at_s in (2.0, 3.0):
        assert engine.decide(moment(at_s)).lead.order is Order.SURPLUS
    assert given == [[Order.SURPLUS]]
    engine.adopt(replace(control, watching=True), WIRING)
    engine.decide(moment(4.0))
    engine.adopt(control, WIRING)
    engine.decide(moment(5.0))
    assert given == [[Order.SURPLUS], [], [Order.SURPLUS]]


# Prices


def tariff(*bands: Band) -> Tariff:
    return Tariff("export", (Period(date(2020, 1, 1), None, bands),), "UTC")


def test_prices_hold_until_they_change() -> None:
    """The start is noon UTC; from 13:00 export pays more than the heat is worth."""
    export = tariff(
        Band("dear", Fraction(3, 10), time(13), time(14)),
        Band("rest", Fraction(1, 20)),
    )
    rules = settings(stale_after_s=dict.fromkeys(STALE_AFTER_S, 86_400.0), worth=Worth(True))
    gas = Displaced("gas", Fraction(1), Fraction(1), price=Fraction(1, 10))
    engine = made(rules, export=export, displaces=(gas,))
    engine.hear(heard(0.0, grid_w=-500.0, tank_level_pct=50.0), moment(0.0))
    assert engine.prices.export_price == 0.05
    assert engine.due_s == 3600.0
    first = engine.prices
    engine.decide(moment(3599.0))
    assert engine.prices is first
    assert engine.decide(moment(3600.0)).lead.guard == "worth"
    assert engine.prices.export_price == 0.3
    assert engine.decide(moment(7200.0)).lead.order is Order.SURPLUS


def test_a_price_that_is_heard_decides_at_once_and_until_it_is_stale() -> None:
    export = HeardSeries("export_price", 900)
    rules = settings(stale_after_s=dict.fromkeys(STALE_AFTER_S, 86_400.0), worth=Worth(True))
    gas = Displaced("gas", Fraction(1), Fraction(1), price=Fraction(1, 10))
    engine = made(rules, export=export, displaces=(gas,), heard=(export,))
    assert engine.hear(heard(0.0, grid_w=-500.0, tank_level_pct=50.0), moment(0.0)).lead.order is Order.SURPLUS
    assert engine.hear(heard(10.0, export_price=0.3), moment(10.0)).lead.guard == "worth"
    assert engine.hear(heard(20.0, export_price=0.05), moment(20.0)).lead.order is Order.SURPLUS
    assert engine.hear(heard(30.0, export_price=0.3), moment(30.0)).lead.guard == "worth"
    assert engine.due_s == pytest.approx(930.0)
    assert engine.decide(moment(930.0)).lead.order is Order.SURPLUS, "what it is worth is not known any more"


def test_an_absence_ends_at_its_second_by_the_wall_clock() -> None:
    rules = settings(
        stale_after_s=dict.fromkeys(STALE_AFTER_S, 86_400.0),
        away=Away(((START_UTC_S - 10, START_UTC_S + 100),)),
    )
    engine = made(rules)
    engine.hear(heard(0.0, grid_w=-500.0, tank_level_pct=50.0), moment(0.0))
    assert engine.decision is not None
    assert engine.decision.lead.guard == "away"
    assert engine.due_s == pytest.approx(100.0)
    assert engine.decide(Moment(START_UTC_S + 100, engine.due_s)).lead.order is Order.SURPLUS

"""Days without diversion in a fair comparison: nothing is diverted, but what an override asks for is."""

from rules.model.orders import Order
from rules.model.settings import Alternate
from tests.support.rules_case import START_UTC_S, House, ruling, settings

ON_S, OFF_S = 86_400.0, 172_800.0
RUNS = ((START_UTC_S, START_UTC_S + ON_S, True), (START_UTC_S + ON_S, START_UTC_S + OFF_S, False))


def house() -> House:
    return House(settings(alternate=Alternate(RUNS)))


def test_a_day_with_diversion_diverts() -> None:
    assert ruling(house().at(0.0)) == (Order.SURPLUS, "surplus")


def test_a_day_without_withholds_and_ends_by_itself() -> None:
    tried = house()
    tried.at(0.0)
    assert ruling(tried.at(ON_S)) == (Order.WITHHOLD, "alternate")
    assert ruling(tried.at(OFF_S - 1.0)) == (Order.WITHHOLD, "alternate")
    assert ruling(tried.at(OFF_S)) == (Order.SURPLUS, "surplus")


def test_time_alone_ends_it() -> None:
    tried = house()
    tried.at(ON_S - 5.0)
    assert tried.due_s() <= ON_S
    tried.again(ON_S - 1.0)
    assert tried.due_s() == ON_S


def test_it_is_said_until_when() -> None:
    tried = house()
    tried.at(ON_S + 60.0)
    assert "fair comparison: diversion is off until" in tried.why().text


def test_a_house_without_a_comparison_is_not_asked() -> None:
    assert ruling(House().at(ON_S + 60.0)) == (Order.SURPLUS, "surplus")

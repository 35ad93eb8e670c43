"""A home file made ready to run: what the rules, the books, the board and the broker each need of it."""

from dataclasses import dataclass

from accounting.books import BooksSettings
from daemon.board import Wiring
from daemon.config.build import books_settings, rule_settings
from daemon.config.model import Home
from rules.settings import Settings


@dataclass(frozen=True, slots=True)
class Plan:
    """A home file and what was made of it."""

    home: Home
    rules: Settings
    books: BooksSettings
    wiring: Wiring


def plan(home: Home) -> Plan:
    """Make a home file ready. Raises BrimfulError where a file it names cannot be read."""
    rules = rule_settings(home)
    return Plan(home, rules, books_settings(home), wiring(home, rules))


def wiring(home: Home, rules: Settings) -> Wiring:
    """Which of the home's signals tell what."""
    signals = home.signals
    names = [heater.name for heater in rules.heaters]

    def told(base: str) -> tuple[tuple[str | None, ...], str | None]:
        """Each heater's own signal, and the one they share. One heater's may go without its name."""
        own = tuple(f"{base}_{name}" if f"{base}_{name}" in signals else None for name in names)
        shared = base if base in signals else None
        if len(names) == 1:
            return (own[0] or shared,), None
        return own, shared

    powers, house_power = told("diverted_w")
    counters, house_counter = told("diverted_wh")
    return Wiring(
        surplus=("surplus_w", 1.0) if "surplus_w" in signals else ("grid_w", -1.0),
        level="tank_level_pct" in signals,
        powers=powers,
        counters=counters,
        house_power=house_power,
        house_counter=house_counter,
        cold_c=home.tank.cold_c if home.tank is not None else 10.0,
        hot_c=home.tank.hot_c if home.tank is not None else 60.0,
    )

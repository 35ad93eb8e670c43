"""A home file made ready to run: what the rules, the books, the board and the broker each need of it."""

from dataclasses import dataclass, replace
from datetime import date
from fractions import Fraction

from accounting.books.booking import BooksSettings
from daemon.config.build import books_settings, heater_signal, rule_settings
from daemon.config.model import Home
from daemon.config.money import Fetched, Listened, PluggedIn
from daemon.config.secrets import plug_in_options
from daemon.control.signal_state import Wiring
from daemon.inputs.plug_ins import TIME, VALUE, price_payload
from daemon.inputs.price_payload import Feed
from rules.model.settings import Settings


@dataclass(frozen=True, slots=True)
class PreparedHome:
    """A home file and what was made of it."""

    home: Home
    rules: Settings
    books: BooksSettings
    wiring: Wiring


def prepare(home: Home) -> PreparedHome:
    """Make a home file ready. Raises BrimfulError where a file it names cannot be read."""
    rules = rule_settings(home)
    return PreparedHome(home, rules, books_settings(home), wiring(home, rules))


def feeds(home: Home) -> list[Feed]:
    """Where prices, factors and forecasts published ahead come from."""
    return [_feed(home, key, live) for key, live in home.fed.items()]


def _feed(home: Home, key: str, live: Fetched | Listened | PluggedIn) -> Feed:
    path, scale, step_s = home.live_file(key), Fraction(live.scale), live.minutes * 60
    if isinstance(live, PluggedIn):

        def asking(day: date) -> bytes:
            options = plug_in_options(home, f"{key}.live.secret_file", live.options, live.secret_file)
            return price_payload(live.source, day, options)

        refresh_s = live.refresh_minutes * 60
        return Feed(key, path, "", TIME, VALUE, scale, step_s, refresh_s=refresh_s, asking=asking)
    ahead = Feed(key, path, live.rows, live.time, live.value, scale, step_s)
    if isinstance(live, Listened):
        return replace(ahead, topic=live.topic)
    return replace(ahead, url=live.url, refresh_s=live.refresh_minutes * 60, redirects_to=live.redirects_to)


def wiring(home: Home, rules: Settings) -> Wiring:
    """Which of the home's signals tell what."""
    signals = home.signals
    names = [heater.name for heater in rules.heaters]

    def own(base: str) -> tuple[str | None, ...]:
        return tuple(heater_signal(home, base, name) for name in names)

    def shared(base: str) -> str | None:
        return base if len(names) > 1 and base in signals else None

    return Wiring(
        surplus=("surplus_w", 1.0) if "surplus_w" in signals else ("grid_w", -1.0),
        level="tank_level_pct" in signals,
        powers=own("diverted_w"),
        counters=own("diverted_wh"),
        house_power=shared("diverted_w"),
        house_counter=shared("diverted_wh"),
        cold_c=home.tank.cold_c if home.tank is not None else 10.0,
        hot_c=home.tank.hot_c if home.tank is not None else 60.0,
    )

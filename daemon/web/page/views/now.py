"""The room "Now": what the heater does and why, what would change that, and what of it is certain."""

from collections.abc import Mapping, Sequence
from dataclasses import dataclass
from datetime import datetime
from typing import Any
from zoneinfo import ZoneInfo

from daemon.web.page.views.figures import age, full_date, instant, sentence, signal_value, signal_words, utc, when
from daemon.web.page.views.stops import Stop
from rules.model.formatting import duration, percent, watts

VERDICTS = {"allow": "lets it", "forbid": "withholds", "require": "asks"}
"""A finding's verdict as the table tells it."""


ORDERS = {"withhold": "stay withheld", "surplus": "take surplus", "heat": "heat, from the grid too"}
"""What the owner's word asks of a heater."""


@dataclass(frozen=True, slots=True)
class FindingShown:
    """One rule's finding. decides: it is the one behind the order; against: it withholds, decisive or not."""

    rule: str
    verdict: str
    sentence: str
    change: str
    decides: bool
    against: bool


@dataclass(frozen=True, slots=True)
class InputShown:
    """A signal's last reading. age_s: None where it was never heard live; stale: too old to count."""

    name: str
    words: str
    value: str
    age: str
    age_s: float | None
    limit: str
    limit_s: float | None
    stale: bool


@dataclass(frozen=True, slots=True)
class OverrideShown:
    """The owner's word that stands. left, left_s: until it ends, in words and in seconds."""

    words: str
    heater: str | None
    until: str
    left: str
    left_s: float


@dataclass(frozen=True, slots=True)
class NowRoom:
    """All that the room shows. order: the leading heater's, as the rules name it."""

    date: str
    order: str
    sentence: str
    change: str
    heaters: tuple[str, ...]
    level: str
    findings: tuple[FindingShown, ...]
    inputs: tuple[InputShown, ...]
    alarms: tuple[str, ...]
    faults: tuple[str, ...]
    override: OverrideShown | None
    stop: str
    today: str


def now_room(
    why: Mapping[str, Any],
    health: Mapping[str, Any] | None,
    today: Mapping[str, Any] | None,
    stop: Stop | None,
    timezone: str,
    heaters: Sequence[str],
) -> NowRoom:
    """The room, of the answers to `why` and `health` and of today's figures.

    stop: the last verified stop, None where none is known; timezone: the home's; heaters: their names.
    """
    zone, now = ZoneInfo(timezone), instant(why["at"])
    change = str(why["change"])
    told = str(why["sentence"])
    if change:
        told = told.removesuffix(f"; {change}")
    others = [
        f"{heater['heater']}: {_order_words(heater['order'], heater['watts'])}, by the rule {heater['guard']}"
        for heater in why["heaters"]
        if heater["heater"] != why["heater"]
    ]
    return NowRoom(
        date=full_date(now, zone),
        order=str(why["order"]),
        sentence=sentence(told),
        change=sentence(change),
        heaters=tuple(others),
        level=_level(why.get("level"), zone, now),
        findings=tuple(_finding(found, why) for found in why["findings"]),
        inputs=tuple(input_shown(one, heaters) for one in why["inputs"]),
        alarms=tuple(
            sentence(f"{alarm['sentence']}, since {when(instant(alarm['since']), zone, now)}")
            for alarm in why["alarms"]
        ),
        faults=faults(health),
        override=_override(why["override"], zone, now),
        stop=_stop(stop, zone, now),
        today=today_sentence(today),
    )


def input_shown(one: Mapping[str, Any], heaters: Sequence[str]) -> InputShown:
    """A signal's last reading in words."""
    age_s, limit_s = one["age_s"], one["stale_after_s"]
    return InputShown(
        name=one["signal"],
        words=signal_words(one["signal"], heaters),
        value=signal_value(one["signal"], one["value"], heaters),
        age=age(age_s),
        age_s=age_s,
        limit="" if limit_s is None else duration(limit_s),
        limit_s=limit_s,
        stale=age_s is None or (limit_s is not None and age_s > limit_s),
    )


def faults(health: Mapping[str, Any] | None) -> tuple[str, ...]:
    """What does not work, a sentence each: links that are down, books that cannot be written, a backup that fails,
    prices that are not told.

    health: None while the ledger cannot be read.
    """
    if health is None:
        return ("The ledger cannot be read now.",)
    said = [
        sentence(f"link {name} is down" + (f": {link['reason']}" if link["reason"] else ""))
        for name, link in health["links"].items()
        if not link["up"]
    ]
    told = [health["books"]["fault"], health["clock"]["fault"]]
    told += [(health.get(part) or {}).get("fault") for part in ("timeseries", "backup")]
    told += health["prices"]["faults"]
    return tuple(said + [sentence(fault) for fault in told if fault])


def _order_words(order: str, power_w: float | None) -> str:
    words = {"withhold": "withheld", "surplus": "taking surplus", "heat": "heating"}[order]
    return f"{words} ({watts(power_w)})" if power_w is not None else words


def _finding(found: Mapping[str, Any], why: Mapping[str, Any]) -> FindingShown:
    return FindingShown(
        rule=found["guard"],
        verdict=VERDICTS[found["verdict"]],
        sentence=found["sentence"],
        change=found["change"],
        decides=found["guard"] == why["guard"],
        against=found["verdict"] == "forbid",
    )


def _level(level: Mapping[str, Any] | None, zone: ZoneInfo, now: datetime) -> str:
    if level is None:
        return "The tank’s level is not known."
    said = f"Tank {percent(level['value_pct'])}"
    if level["age_s"] is None:
        return f"{said}, told before the daemon started."
    if not level["fresh"]:
        return f"{said} when last heard, {duration(level['age_s'])} ago."
    return f"{said}, since {when(instant(level['since']), zone, now)}." if level["since"] is not None else f"{said}."


def _override(told: Mapping[str, Any] | None, zone: ZoneInfo, now: datetime) -> OverrideShown | None:
    if told is None or told["ends_in_s"] <= 0:
        return None
    until = when(utc(now.timestamp() + told["ends_in_s"]), zone, now)
    left_s = float(told["ends_in_s"])
    return OverrideShown(ORDERS[told["order"]], told["heater"], until, duration(left_s), left_s)


def _stop(stop: Stop | None, zone: ZoneInfo, now: datetime) -> str:
    if stop is None:
        return "None on record in the last week: none was due, or no meter shows what the heater takes."
    after = duration(stop.verified_s - stop.at_s)
    said = f"{when(utc(stop.at_s), zone, now)}: {stop.sentence}. {stop.proof} {after} later"
    return sentence(said)


def today_sentence(today: Mapping[str, Any] | None) -> str:
    """Today's net against just exporting, in one sentence."""
    if today is None:
        return "Today's figures cannot be read now."
    kwh, net, currency = today["diverted_kwh"], today["net"], today["currency"]
    if not kwh:
        return "Nothing has been diverted today."
    money = f"{abs(net):.2f} {currency}"
    if f"{abs(net):.2f}" == "0.00":
        return f"{kwh:.3f} kWh diverted today, worth the same as exporting it."
    more = "more" if net > 0 else "less"
    return f"{kwh:.3f} kWh diverted today, worth {money} {more} than exporting it."

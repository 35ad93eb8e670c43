"""The room "Now": what the heater does and why, what would change that, and what today brought."""

from collections.abc import Iterator, Mapping, Sequence
from dataclasses import dataclass
from datetime import datetime
from typing import Any
from zoneinfo import ZoneInfo

from daemon.web.page.views.figures import (
    age,
    fixed,
    full_date,
    instant,
    signal_value,
    signal_words,
    utc,
    when,
)
from daemon.web.page.views.house import HomeFacts
from daemon.web.page.views.stops import Stop
from daemon.web.page.views.troubles import state_words, troubles
from rules.guards import GUARDS
from rules.model.formatting import duration, percent, watts
from rules.model.orders import LEADS, Order
from rules.model.signals import TEMPERATURES, find
from rules.model.wording import Number, Sentence, joined, say

VERDICTS = {"allow": say("allows"), "forbid": say("holds off"), "require": say("requires")}
"""A finding's verdict as the table shows it."""
ORDERS = {
    "withhold": say("heater off"),
    "surplus": say("take surplus"),
    "heat": say("heat, from the grid too"),
}
"""What an override asks of a heater."""
ORDERED = {"withhold": say("heater off"), "surplus": say("taking surplus"), "heat": say("heating")}
"""What a heater does under an order, within a line."""
_WOULD: Mapping[Order, str] = {
    Order.WITHHOLD: say("Would be off"),
    Order.SURPLUS: say("Would take surplus"),
    Order.HEAT: say("Would heat"),
}
"""What leads the sentence of a heater that is sent no orders."""


@dataclass(frozen=True, slots=True)
class FindingShown:
    """One rule's finding. decides: it is the one behind the order; against: it holds off, decisive or not."""

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
    """The override that stands. left, left_s: until it ends, in words and in seconds; waits: why it cannot act now,
    "" where it does."""

    words: str
    heater: str | None
    until: str
    left: str
    left_s: float
    waits: str


@dataclass(frozen=True, slots=True)
class Expected:
    """A signal that has not been heard since the start. needed: whether the heater stays off without it."""

    words: str
    about: str
    topic: str
    needed: bool


@dataclass(frozen=True, slots=True)
class NowRoom:
    """All that the room shows. order: the leading heater's, as the rules name it; facts: the line of figures under the
    sentence, name and value; state: what is announced when it changes, and nothing else is; watching: no orders
    are sent."""

    date: str
    clock: str
    order: str
    sentence: str
    change: str
    state: str
    facts: tuple[tuple[str, str], ...]
    heaters: tuple[str, ...]
    level: str
    findings: tuple[FindingShown, ...]
    inputs: tuple[InputShown, ...]
    expected: tuple[Expected, ...]
    troubles: tuple[str, ...]
    override: OverrideShown | None
    plan: str
    stop: str
    today: str
    watching: bool = False


def now_room(
    why: Mapping[str, Any],
    health: Mapping[str, Any] | None,
    today: Mapping[str, Any] | None,
    stop: Stop | None,
    facts: HomeFacts,
    free_bytes: int | None = None,
) -> NowRoom:
    """The room, of the answers to `why` and `health` and of today's figures.

    stop: the last verified stop, None where none is known; free_bytes: on the ledger's disk, None: not known.
    """
    zone, now = ZoneInfo(facts.timezone), instant(why["at"])
    found = deciding(why)
    watching = why.get("mode") == "watch"
    order = lead = (_WOULD if watching else LEADS)[Order(why["order"])]
    power = _power(why, facts)
    if why["order"] != "withhold" and power and not watching:
        lead = joined((lead, power))
    others = [
        say(
            "{heater}: {order}, by the rule {rule}",
            heater=heater["heater"],
            order=_order_words(heater["order"], heater["watts"]),
            rule=heater["guard"],
        )
        for heater in why["heaters"]
        if heater["heater"] != why["heater"]
    ]
    wrong = troubles(health, facts, free_bytes)
    return NowRoom(
        date=full_date(now, zone),
        clock=f"{now.astimezone(zone):%H:%M}",
        order=str(why["order"]),
        sentence=Sentence(joined((lead, found["sentence"]), ": ")),
        change=Sentence(why["change"] if found["guard"] == why["guard"] else found["change"]),
        state=say(
            "{order}, by the rule {rule}. {state}.", order=order, rule=why["guard"], state=state_words(len(wrong))
        ),
        facts=tuple(_facts(why, power, today)),
        heaters=tuple(others),
        level=_level(why.get("level"), zone, now),
        findings=tuple(_finding(found, why) for found in why["findings"]),
        inputs=tuple(input_shown(one, facts.heaters) for one in why["inputs"]),
        expected=expected(why, facts),
        troubles=tuple(one.sentence for one in wrong),
        override=_override(why, zone, now),
        stop=_stop(stop, zone, now),
        today=today_sentence(today),
        watching=watching,
        plan=why.get("plan") or "",
    )


def deciding(why: Mapping[str, Any]) -> Mapping[str, Any]:
    """The finding that the headline is made of: the one that decided.

    Where the temperatures are silent, so is what the limit goes by, and it comes first; but the silence is the news.
    """
    by_name: dict[str, Mapping[str, Any]] = {found["guard"]: found for found in why["findings"]}
    found = by_name[why["guard"]]
    fresh: Mapping[str, Any] | None = by_name.get("fresh")
    if why["guard"] == "limit" and fresh is not None and fresh["verdict"] == "forbid":
        temperatures = [one for one in why["inputs"] if one["signal"] in TEMPERATURES]
        if temperatures and all(_is_stale(one) for one in temperatures):
            return fresh
    return found


def expected(why: Mapping[str, Any], facts: HomeFacts) -> tuple[Expected, ...]:
    """The signals of the home file that have not been heard yet, those first that the heater waits for."""
    heard = {one["signal"] for one in why["inputs"]}
    missing = [name for name in facts.topics if name not in heard]
    missing.sort(key=lambda name: name not in facts.needed)
    return tuple(
        Expected(
            words=signal_words(name, facts.heaters),
            about=known[0].about if (known := find(name, facts.heaters)) is not None else "",
            topic=facts.topics[name],
            needed=name in facts.needed,
        )
        for name in missing
    )


def _facts(why: Mapping[str, Any], power: str, today: Mapping[str, Any] | None) -> Iterator[tuple[str, str]]:
    level = why.get("level")
    on = say("on, {power}", power=power)
    yield say("heater"), on if why["order"] != "withhold" and power else _ON[why["order"]]
    fresh = level is not None and level["fresh"]
    yield say("tank"), percent(level["value_pct"]) if level is not None and fresh else say("not known")
    whole = why.get("hygiene")
    if whole is not None:
        when_hot = _when_hot(whole)
        yield say("whole tank hot"), say("{time}, overdue", time=when_hot) if whole["overdue"] else when_hot
    if today is not None:
        currency = today["currency"]
        yield say("in today"), Number(f"{fixed(today['diverted_kwh'], 2)} kWh")
        yield say("bought less"), Number(f"{fixed(today['avoided'])} {currency}")
        yield say("sold less"), Number(f"{fixed(today['given_up'])} {currency}")
        yield say("worth"), Number(f"{fixed(today['net'], sign=True)} {currency}")


_ON = {"withhold": say("off"), "surplus": say("on"), "heat": say("on")}


def _when_hot(whole: Mapping[str, Any]) -> str:
    if whole["hot_since"] is not None:
        return say("now")
    days = whole["days_since"]
    return say("not known") if days is None else say("{days} days ago", days=fixed(days, 1))


def _power(why: Mapping[str, Any], facts: HomeFacts) -> str:
    """What the leading heater takes by its own meter, or is sent; "" where neither is known."""
    signal = facts.powers.get(why["heater"])
    for one in why["inputs"]:
        if one["signal"] == signal and not _is_stale(one):
            return watts(one["value"])
    return watts(why["watts"]) if why["watts"] is not None else ""


def _is_stale(one: Mapping[str, Any]) -> bool:
    age_s, limit_s = one["age_s"], one["stale_after_s"]
    return age_s is None or (limit_s is not None and age_s > limit_s)


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
        stale=_is_stale(one),
    )


def _order_words(order: str, power_w: float | None) -> str:
    words = ORDERED[order]
    return say("{order} ({power})", order=words, power=watts(power_w)) if power_w is not None else words


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
        return say("The tank’s level is not known.")
    shown = percent(level["value_pct"])
    if level["age_s"] is None:
        return say("Tank {level}, as a message retained from before the daemon started says.", level=shown)
    if not level["fresh"]:
        return say("Tank {level} when last heard, {age} ago.", level=shown, age=duration(level["age_s"]))
    if level["since"] is None:
        return say("Tank {level}.", level=shown)
    return say("Tank {level}, since {time}.", level=shown, time=when(instant(level["since"]), zone, now))


def _override(why: Mapping[str, Any], zone: ZoneInfo, now: datetime) -> OverrideShown | None:
    standing = why["override"]
    if standing is None or standing["ends_in_s"] <= 0:
        return None
    until = when(utc(now.timestamp() + standing["ends_in_s"]), zone, now)
    left_s = float(standing["ends_in_s"])
    waits = ""
    if standing["order"] != "withhold" and why["guard"] in GUARDS.hard:
        waits = Sentence(say("it waits: {why}", why=deciding(why)["sentence"]))
    return OverrideShown(ORDERS[standing["order"]], standing["heater"], until, duration(left_s), left_s, waits)


def _stop(stop: Stop | None, zone: ZoneInfo, now: datetime) -> str:
    if stop is None:
        return say("None on record in the last week: none was due, or no meter shows what the heater takes.")
    after, time = duration(stop.verified_s - stop.at_s), when(utc(stop.at_s), zone, now)
    return Sentence(
        say("{time}: {why}. {proof} {after} later", time=time, why=stop.sentence, proof=stop.proof, after=after)
    )


def today_sentence(today: Mapping[str, Any] | None) -> str:
    """Today's net against just exporting, in one sentence."""
    if today is None:
        return say("Today's figures cannot be read now.")
    kwh, net, currency = today["diverted_kwh"], today["net"], today["currency"]
    if not kwh:
        return say("Nothing has been diverted today.")
    energy = Number(f"{kwh:.3f} kWh")
    money = Number(f"{abs(net):.2f} {currency}")
    if f"{abs(net):.2f}" == "0.00":
        return say("{energy} diverted today, worth the same as exporting it.", energy=energy)
    if net > 0:
        return say("{energy} diverted today, worth {money} more than exporting it.", energy=energy, money=money)
    return say("{energy} diverted today, worth {money} less than exporting it.", energy=energy, money=money)

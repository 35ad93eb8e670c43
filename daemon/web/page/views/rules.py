"""The room "Rules": every rule with its setting, what it did this week, and a change shown before it is made."""

from collections.abc import Mapping, Sequence
from dataclasses import dataclass
from typing import Any
from zoneinfo import ZoneInfo

from daemon.config.rule_tables import TABLES
from daemon.simulation.backtest import Outcome
from daemon.web.languages.home_file import about_keys, about_table
from daemon.web.page.views.deciding import Decided
from daemon.web.page.views.figures import full_date, minutes, share, utc, when
from daemon.web.page.views.now import ORDERED
from daemon.web.page.views.rule_sentences import TITLES, Phrase, phrases
from rules.guards import GUARDS
from rules.model.wording import Number, Sentence, joined, say

_GUARD_OF = {"heaters": "together"}
"""A table of the home file whose guard has another name."""
_NO_GUARD = {"tracking"}
"""Tables that belong to no guard."""
_UNSET = say("not set")
_SHORTEST_S = 30.0
"""Less is no minute."""

CAUTIONS = {
    "limit": (
        say("Water at 60 °C burns in about three seconds. Have a mixing valve at the outlets before raising this."),
        say(
            "Below 60 °C this heater cannot heat the tank against Legionella: something else then must, at the"
            " intervals of your local rules."
        ),
        say("Thermostat and manual-reset cut-out stay in charge: this limit ranks below both and replaces neither."),
    ),
    "full": (
        say(
            "Above about 95 % the tank is heated until its thermostat ends it; the hotter the water, the sooner it"
            " burns."
        ),
        say(
            "Set low, the bottom of the tank may stay at 20–45 °C, where Legionella grow: keep the device that heats"
            " the whole tank to 60 °C at the intervals of your local rules. The rule hygiene does it only below this"
            " level."
        ),
    ),
    "away": (
        say("After an absence the whole tank should be heated through (60 °C) before the water is used for showers."),
        say("hot_on_return buys: the tank is then heated from the grid before you come home."),
    ),
    "hygiene": (
        say(
            "This replaces no thermostat, no device against Legionella and no duty prescribed where you live: old"
            " people, smokers and those with weak lungs or a weak immune system are most at risk. Ask a qualified"
            " installer."
        ),
        say("Water at 60 °C burns in about three seconds. Have a mixing valve at the outlets."),
        say(
            "It buys where the sun has not done it by the last day. Nothing heats at or above the stop level or the"
            " limit."
        ),
    ),
    "heaters": (
        say("Two heaters at once need wiring and supply made for both, by a qualified installer or electrician."),
    ),
}
"""What to know before changing a rule (deploy/docs/safety.md says more). Three seconds: see config/cautions.py."""


@dataclass(frozen=True, slots=True)
class Key:
    """One setting. value: as it is shown; text: as it is typed into the form, "" where the default holds."""

    name: str
    about: str
    value: str
    text: str
    is_set: bool
    kind: str


@dataclass(frozen=True, slots=True)
class RuleShown:
    """One rule. title: what people call it; phrases: what it does as it is set, none where it does nothing; decided:
    what it decided this week; cautions: what to know before changing it."""

    name: str
    title: str
    about: str
    phrases: tuple[Phrase, ...]
    settings: tuple[Key, ...]
    decided: str
    cautions: tuple[str, ...]

    @property
    def plain(self) -> tuple[Phrase, ...]:
        """The sentences that are shown at once."""
        return tuple(phrase for phrase in self.phrases if not phrase.advanced)

    @property
    def advanced(self) -> tuple[Phrase, ...]:
        """The sentences that are folded away."""
        return tuple(phrase for phrase in self.phrases if phrase.advanced)

    def keys_of(self, shown: Sequence[Phrase]) -> tuple[Key, ...]:
        """The settings behind some sentences."""
        names = {name for phrase in shown for name in phrase.keys}
        return tuple(key for key in self.settings if key.name in names)


@dataclass(frozen=True, slots=True)
class Changed:
    """One setting before and after."""

    key: str
    old: str
    new: str


@dataclass(frozen=True, slots=True)
class Compared:
    """Time by order or by deciding rule, before and after the change."""

    name: str
    before: str
    after: str
    difference: str


@dataclass(frozen=True, slots=True)
class WeekLine:
    """What one rule decided in the week."""

    name: str
    decided: str
    withheld: str


@dataclass(frozen=True, slots=True)
class TrialShown:
    """A trial: how far it is, or what it found."""

    ended: bool
    done: float
    fault: str
    said: str
    orders: tuple[Compared, ...]
    rules: tuple[Compared, ...]


def rules_room(answer: Mapping[str, Any], week: Decided | None, currency: str) -> tuple[RuleShown, ...]:
    """Every rule, of the answer to `rule` (brimful.rule/1). week: what decided in the last seven days, if known."""
    order = [guard.NAME for guard in GUARDS]
    place = {name: order.index(_GUARD_OF.get(name) or name) for name in answer["rules"] if name not in _NO_GUARD}
    names = sorted(answer["rules"], key=lambda name: place.get(name, len(order)))
    return tuple(rule_shown(name, answer["rules"][name], week, currency) for name in names)


def rule_shown(name: str, keys: Mapping[str, Mapping[str, Any]], week: Decided | None, currency: str) -> RuleShown:
    """One rule with its settings."""
    table = TABLES[name]
    name_of = {info.alias or field: field for field, info in table.model_fields.items()}
    about_of = about_keys(table)
    return RuleShown(
        name=name,
        title=TITLES.get(name, name),
        about=about_table(table),
        phrases=phrases(name, {key: setting["value"] for key, setting in keys.items()}, currency),
        settings=tuple(
            Key(
                name=key,
                about=about_of[name_of[key]],
                value=_shown(setting["value"]),
                text=_typed(setting["value"]) if setting["set"] else "",
                is_set=setting["set"],
                kind="choice" if table.model_fields[name_of[key]].annotation is bool else "text",
            )
            for key, setting in keys.items()
        ),
        decided=_decided(name, week),
        cautions=CAUTIONS.get(name, ()),
    )


def week_shown(week: Decided | None) -> tuple[WeekLine, ...]:
    """What decided, the longest first."""
    if week is None:
        return ()
    by_length = sorted(((name, s) for name, s in week.by_rule_s.items() if s >= _SHORTEST_S), key=lambda item: -item[1])
    return tuple(
        WeekLine(name, minutes(stood_s), minutes(week.withheld_s.get(name, 0.0))) for name, stood_s in by_length
    )


def trial_shown(ended: bool, done: float, fault: str, outcome: Outcome | None, timezone: str) -> TrialShown:
    """A trial's state, and, where it has come to its end, what it found."""
    if outcome is None:
        return TrialShown(ended, done, fault, "", (), ())
    zone = ZoneInfo(timezone)
    end_at = utc(outcome.to_s)
    begin, end = when(utc(outcome.from_s), zone, end_at), full_date(end_at, zone)
    was, before, after = outcome.was, outcome.before, outcome.after
    span = say(
        "{minutes} recorded minutes, from {begin} to {end}.",
        minutes=Number(f"{outcome.minutes:,}"),
        begin=begin,
        end=end,
    )
    if before.by_order_s == after.by_order_s and before.by_rule_s == after.by_rule_s:
        found = say("The change would have made no difference in this time.")
    else:
        more = _times(after.changes - before.changes)
        found = say(
            "The order changed {times} times; with the change it would have done so {more}.",
            times=was.changes,
            more=more,
        )
    said = joined((span, found), " ")
    orders = compared(_named(was.by_order_s), _named(before.by_order_s), _named(after.by_order_s))
    rules = compared(was.by_rule_s, before.by_rule_s, after.by_rule_s)
    return TrialShown(ended, done, fault, said, orders, rules)


def _times(more: int) -> str:
    if not more:
        return say("just as often")
    many = abs(more)
    return say("{times} times more often", times=many) if more > 0 else say("{times} times less often", times=many)


def _named(by_order_s: Mapping[str, float]) -> dict[str, float]:
    return {ORDERED.get(order, order): seconds for order, seconds in by_order_s.items()}


def changed_shown(change: Mapping[str, Any]) -> tuple[Changed, ...]:
    """Old and new, of the answer to a change (brimful.rule-change/1)."""
    return tuple(Changed(key["key"], _shown(key["old"]), _shown(key["new"])) for key in change["changes"])


def compared(was: Mapping[str, float], before: Mapping[str, float], after: Mapping[str, float]) -> tuple[Compared, ...]:
    """Counts of seconds side by side, the longest first.

    was: what really happened; before, after: the same time replayed under the old and the new setting. The change is
    the difference of the two replays, and what would have been is what was, changed by it.
    """
    moved = {name: after.get(name, 0.0) - before.get(name, 0.0) for name in {*before, *after}}
    would = {name: max(0.0, was.get(name, 0.0) + moved.get(name, 0.0)) for name in {*was, *moved}}
    names = sorted(would, key=lambda name: (-max(was.get(name, 0.0), would[name]), name))
    rows = (_compared(name, was.get(name, 0.0), would[name], moved.get(name, 0.0)) for name in names)
    return tuple(row for row in rows if row is not None)


def _compared(name: str, was_s: float, would_s: float, moved_s: float) -> Compared | None:
    """One row; None where there is less than half a minute of it either way."""
    if max(was_s, would_s) < _SHORTEST_S:
        return None
    by_s = round(moved_s / 60) * 60
    sign = "+" if by_s > 0 else "−" if by_s < 0 else ""
    return Compared(name, minutes(was_s), minutes(would_s), Number(f"{sign}{minutes(abs(by_s))}"))


def _decided(name: str, week: Decided | None) -> str:
    if name in _NO_GUARD:
        return ""
    guard = _GUARD_OF.get(name, name)
    if week is None or not week.known_s:
        return say("Nothing is on record of this week.")
    stood_s, withheld_s = week.by_rule_s.get(guard, 0.0), week.withheld_s.get(guard, 0.0)
    if stood_s < _SHORTEST_S:
        return say("Decided nothing this week.")
    said = say(
        "decided {time} this week, {share} of the time on record",
        time=minutes(stood_s),
        share=share(stood_s / week.known_s),
    )
    if _SHORTEST_S <= withheld_s < stood_s - _SHORTEST_S:
        said = joined((said, say("the heater was off in {time} of it", time=minutes(withheld_s))), "; ")
    return Sentence(said)


def _shown(value: Any) -> str:
    match value:
        case None | []:
            return _UNSET
        case bool():
            return say("on") if value else say("off")
        case float() | int():  # as it is typed, in any language
            return f"{value:.6f}".rstrip("0").rstrip(".").replace("-", "−") or "0"
        case list():
            return joined(_shown(item) for item in value)
        case {"from": start, "to": end}:
            return say("{begin} to {end}", begin=start, end=end)
    return str(value)


def _typed(value: Any) -> str:
    """A value as the form takes it, which is as `brimful rule` does."""
    match value:
        case None:
            return ""
        case bool():
            return "true" if value else "false"
        case list():
            return ",".join(_typed(item) for item in value)
        case {"from": start, "to": end}:
            return f"{start}/{end}"
        case float() if value.is_integer():
            return str(int(value))
    return str(value)

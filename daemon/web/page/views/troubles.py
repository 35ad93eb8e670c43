"""What needs the owner: one sentence for each cause, and the one word for it that stands in every room."""

from collections.abc import Iterable, Mapping
from dataclasses import dataclass
from typing import Any, Literal
from zoneinfo import ZoneInfo

from daemon.timing.events import HOMIE_LINK, READER_LINK
from daemon.web.page.views.figures import instant, signal_words, when
from daemon.web.page.views.house import HomeFacts
from rules.model.formatting import duration
from rules.model.signals import find
from rules.model.wording import Number, Sentence, joined, listed, say, say_many

LOW_DISK_BYTES = 500_000_000
READINGS_LINK = "readings"
"""The name of the connection that brings the readings; the others are the heaters'."""
_SILENT = " silent"
"""In the name of every alarm of a signal that falls silent."""

_READINGS, _HOMIE = say("the readings"), say("the Homie device")

Concerns = Literal["heater", "books"]


@dataclass(frozen=True, slots=True)
class Trouble:
    """One cause. concerns: whether the heater waits for it, or only the books or the neighbours do."""

    concerns: Concerns
    sentence: str


def troubles(health: Mapping[str, Any] | None, facts: HomeFacts, free_bytes: int | None = None) -> tuple[Trouble, ...]:
    """Every cause once, what concerns the heater first. health: None while the ledger cannot be read; free_bytes: on
    the ledger's disk, None: not known."""
    if health is None:
        return (Trouble("books", say("The ledger cannot be read now.")),)
    found = [
        *_connections(health),
        *_silences(health, facts),
        *_alarms(health, facts),
        *(Trouble("heater", Sentence(words)) for words in _refused(health, facts)),
        *(Trouble("books", Sentence(fault)) for fault in _faults(health)),
    ]
    if free_bytes is not None and free_bytes <= LOW_DISK_BYTES:
        size = Number(f"{free_bytes / 1e9:.1f} GB")
        found.append(Trouble("books", say("Only {size} are free on the disk of the ledger.", size=size)))
    return tuple(sorted(found, key=lambda one: one.concerns != "heater"))


def state_words(many: int) -> str:
    """The state of the whole house, as every room's head says it."""
    if not many:
        return say("All is well")
    return say_many("{n} trouble", "{n} troubles", many)


def silent_topics(health: Mapping[str, Any], facts: HomeFacts) -> dict[str, list[str]]:
    """Topics on which nothing comes any more though it should, each with its signals that have grown too old.

    A topic of which one signal is still fresh is not silent as a whole: then only the old ones are named.
    """
    stale: dict[str, list[str]] = {}
    for one in health["inputs"]:
        known = find(one["signal"], facts.heaters)
        if known is not None and known[0].kind == "price":  # it stands until another one comes
            continue
        age_s, limit_s = one["age_s"], one["stale_after_s"]
        if age_s is None or (limit_s is not None and age_s > limit_s):
            stale.setdefault(facts.topics.get(one["signal"], ""), []).append(one["signal"])
    heard = {one["signal"] for one in health["inputs"]}
    for tally in health["payloads"]:
        name = tally["signal"]
        known = find(name, facts.heaters)
        if name not in heard and not tally["refused"] and (known is None or known[0].kind != "price"):
            stale.setdefault(facts.topics.get(name, ""), []).append(name)
    return stale


def _connections(health: Mapping[str, Any]) -> Iterable[Trouble]:
    by_reason: dict[str, list[str]] = {}
    for name, link in health["links"].items():
        if not link["up"] and name.startswith(READER_LINK):
            yield Trouble("books", Sentence(say("{name}: {fault}", name=name, fault=link["reason"])))
        elif not link["up"]:
            known = {READINGS_LINK: _READINGS, HOMIE_LINK: _HOMIE}
            who = known.get(name) or say("heater {name}", name=name)
            by_reason.setdefault(link["reason"] or "", []).append(who)
    for reason, cut_off in by_reason.items():
        concerns: Concerns = "books" if cut_off == [_HOMIE] else "heater"
        said = say("no connection to the broker for {what}", what=listed(cut_off))
        yield Trouble(concerns, Sentence(joined((said, reason), ": ")))


def _silences(health: Mapping[str, Any], facts: HomeFacts) -> Iterable[Trouble]:
    if _is_cut_off(health):
        return  # the connection is the cause
    ages = {one["signal"]: one["age_s"] for one in health["inputs"]}
    for topic, names in silent_topics(health, facts).items():
        names.sort(key=lambda name: (facts.needed.index(name) if name in facts.needed else len(facts.needed), name))
        words = listed([signal_words(name, facts.heaters) for name in names])
        known = [ages[name] for name in names if ages.get(name) is not None]
        time = duration(min(known)) if known else ""
        waits = any(name in facts.needed for name in names)
        yield Trouble("heater" if waits else "books", Sentence(joined((_unheard(topic, time), words), ": ")))


def _unheard(topic: str, time: str) -> str:
    if not topic:
        return say("nothing heard for {time}", time=time) if time else say("nothing heard since the daemon started")
    if not time:
        return say("nothing heard on {topic} since the daemon started", topic=topic)
    return say("nothing heard on {topic} for {time}", topic=topic, time=time)


def _alarms(health: Mapping[str, Any], facts: HomeFacts) -> Iterable[Trouble]:
    zone, now = ZoneInfo(facts.timezone), instant(health["at"])
    explained = _is_cut_off(health) or bool(silent_topics(health, facts))
    for alarm in health["alarms"]:
        if explained and _SILENT in str(alarm["name"]):
            continue  # it is the same cause
        since = when(instant(alarm["since"]), zone, now)
        yield Trouble("heater", Sentence(say("{alarm}, since {time}", alarm=alarm["sentence"], time=since)))


def _refused(health: Mapping[str, Any], facts: HomeFacts) -> Iterable[str]:
    heard = {one["signal"] for one in health["inputs"]}
    for tally in health["payloads"]:
        if tally["refused"] and tally["signal"] not in heard:
            words = signal_words(tally["signal"], facts.heaters)
            last = tally["last_refused"]
            yield say("no reading of {signal} could be understood, the last payload: {last}", signal=words, last=last)


def _faults(health: Mapping[str, Any]) -> Iterable[str]:
    books = health["books"]
    faults = [books["fault"], health["clock"]["fault"]]
    faults += [(health.get(part) or {}).get("fault") for part in ("timeseries", "backup", "home_file")]
    if books["refused"]["count"]:
        faults.append(
            say_many(
                "the time-series database refused {n} interval: {why}",
                "the time-series database refused {n} intervals: {why}",
                books["refused"]["count"],
                why=books["refused"]["why"],
            )
        )
    if health["queue"]["passed_over_readings"]:
        faults.append(
            say(
                "{many} messages were skipped: they come faster than they can be handled",
                many=health["queue"]["passed_over_readings"],
            )
        )
    return [fault for fault in (*faults, *health["prices"]["faults"], *health["alerts"]["faults"]) if fault]


def _is_cut_off(health: Mapping[str, Any]) -> bool:
    link = health["links"].get(READINGS_LINK)
    return link is not None and not link["up"]

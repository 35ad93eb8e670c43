"""The room "Health": signals with their last hours, links, books, database, disk, backup, alarms."""

from collections.abc import Mapping, Sequence
from dataclasses import dataclass
from typing import Any
from zoneinfo import ZoneInfo

from accounting.ledger.tape import Row
from daemon.web.page.views.figures import full_date, instant, sentence, signal_value, utc, when
from daemon.web.page.views.now import InputShown, input_shown
from rules.model.formatting import duration
from rules.model.signals import find

SPARK_HOURS = 6
WIDTH, HEIGHT = 240, 36
_MOST_POINTS = 120
_LOW_DISK_BYTES = 500_000_000


@dataclass(frozen=True, slots=True)
class Spark:
    """A signal's last hours as a line. path: in an SVG of WIDTH × HEIGHT; said: the same for who cannot see it."""

    path: str
    said: str


@dataclass(frozen=True, slots=True)
class SignalShown:
    """A signal: its last reading, its last hours, and payloads that were refused."""

    reading: InputShown
    spark: Spark | None
    refused: str


@dataclass(frozen=True, slots=True)
class Look:
    """One thing looked at: whether it is well, and a sentence."""

    name: str
    well: bool
    sentence: str


@dataclass(frozen=True, slots=True)
class HealthRoom:
    """All that the room shows. troubles: what needs the owner, a sentence each."""

    date: str
    headline: str
    troubles: tuple[str, ...]
    looks: tuple[Look, ...]
    signals: tuple[SignalShown, ...]


def health_room(
    health: Mapping[str, Any],
    rows: Sequence[Row],
    free_bytes: int | None,
    timezone: str,
    heaters: Sequence[str],
) -> HealthRoom:
    """The room, of the answer to `health`.

    rows: the tape's minutes of the last SPARK_HOURS; free_bytes: on the ledger's disk, None: cannot be told.
    """
    zone, now = ZoneInfo(timezone), instant(health["at"])
    refused = {told["signal"]: _refused(told) for told in health["payloads"]}
    signals = tuple(
        SignalShown(
            input_shown(one, heaters),
            spark(
                [(end_s, values[one["signal"]]) for end_s, values in rows if one["signal"] in values],
                one["signal"],
                heaters,
            ),
            refused.get(one["signal"], ""),
        )
        for one in health["inputs"]
    )
    silent = tuple(name for name in refused if name not in {one["signal"] for one in health["inputs"]})
    looks = (
        *(
            Look(f"link {name}", link["up"], "up" if link["up"] else f"down: {link['reason'] or 'no connection'}")
            for name, link in health["links"].items()
        ),
        _books(health["books"], zone, health["at"]),
        *_outbox(health),
        _disk(free_bytes),
        *_backup(health.get("backup")),
        *(Look("prices", False, fault) for fault in health["prices"]["faults"]),
        *([Look("clock", False, health["clock"]["fault"])] if health["clock"]["fault"] else []),
        *_queue(health["queue"]),
        *(Look(name, False, "never heard since the start") for name in silent),
    )
    alarms = tuple(
        sentence(f"{alarm['sentence']}, since {when(instant(alarm['since']), zone, now)}") for alarm in health["alarms"]
    )
    stale = [one.reading.words for one in signals if one.reading.stale and _matters(one.reading.name, heaters)]
    troubles = [*alarms, *(sentence(f"{look.name}: {look.sentence}") for look in looks if not look.well)]
    troubles += [sentence(f"silent: {', '.join(stale)}")] if stale else []
    return HealthRoom(
        date=full_date(now, zone),
        headline=_headline(len(troubles)),
        troubles=tuple(troubles),
        looks=looks,
        signals=signals,
    )


def _headline(troubles: int) -> str:
    if not troubles:
        return "All is well."
    return "One thing needs you." if troubles == 1 else f"{troubles} things need you."


def spark(points: Sequence[tuple[float, float]], signal: str, heaters: Sequence[str]) -> Spark | None:
    """A line through (UTC seconds, value); None for fewer than two. A gap of ten minutes and more breaks it.

    Where there are many points, each stretch is drawn by its lowest and highest.
    """
    if len(points) < 2:
        return None
    known = find(signal, heaters)
    first_s, last_s = points[0][0], points[-1][0]
    low, high = min(value for _, value in points), max(value for _, value in points)
    span_s, span = max(1.0, last_s - first_s), (high - low) or 1.0
    drawn, before_s = [], None
    for at_s, value in _thinned(points):
        move = "M" if before_s is None or at_s - before_s > 600 + span_s / _MOST_POINTS * 2 else "L"
        x = 1 + (WIDTH - 2) * (at_s - first_s) / span_s
        y = HEIGHT / 2 if high == low else HEIGHT - 2 - (HEIGHT - 4) * (value - low) / span
        drawn.append(f"{move}{x:.1f} {y:.1f}")
        before_s = at_s
    if known is not None and known[0].kind == "counter":
        said = f"gained {signal_value(signal, high - low, heaters)}"
    else:
        said = f"{signal_value(signal, low, heaters)} to {signal_value(signal, high, heaters)}"
    return Spark(" ".join(drawn), f"{said} in {duration(last_s - first_s)}")


def _thinned(points: Sequence[tuple[float, float]]) -> list[tuple[float, float]]:
    if len(points) <= _MOST_POINTS:
        return list(points)
    step = -(-2 * len(points) // _MOST_POINTS)
    kept: list[tuple[float, float]] = []
    for start in range(0, len(points), step):
        part = points[start : start + step]
        ends = {min(part, key=lambda point: point[1]), max(part, key=lambda point: point[1])}
        kept += sorted(ends)
    return kept if kept[-1] == points[-1] else [*kept, points[-1]]


def _matters(signal: str, heaters: Sequence[str]) -> bool:
    """Whether silence of the signal is news: a price stands until it is told anew."""
    known = find(signal, heaters)
    return known is None or known[0].kind != "price"


def _refused(tally: Mapping[str, Any]) -> str:
    many = sum(tally["refused"].values())
    return f"{many} of {tally['received']} payloads refused, the last: {tally['last_refused']}" if many else ""


def _books(books: Mapping[str, Any], zone: ZoneInfo, at: str) -> Look:
    if books["fault"]:
        return Look("ledger", False, books["fault"])
    written_s = books["written_at_s"]
    if written_s is None:
        return Look("ledger", True, "nothing written yet")
    return Look("ledger", True, f"last written {when(utc(written_s), zone, instant(at))}")


def _outbox(health: Mapping[str, Any]) -> list[Look]:
    waiting, refused, series = health["books"]["outbox"], health["books"]["refused"], health["timeseries"]
    if series is None:
        return [Look("time-series database", True, "none in the home file; the ledger alone serves")]
    fault = series["fault"]
    said = f"{waiting} interval{'' if waiting == 1 else 's'} wait{'s' if waiting == 1 else ''} to be sent"
    looks = [Look("time-series database", not fault, f"{fault}; {said}" if fault else said)]
    if refused["count"]:
        looks.append(Look("refused intervals", False, f"{refused['count']} set aside; {refused['why']}"))
    return looks


def _disk(free_bytes: int | None) -> Look:
    if free_bytes is None:
        return Look("disk", False, "free space cannot be told")
    return Look("disk", free_bytes > _LOW_DISK_BYTES, f"{free_bytes / 1e9:,.1f} GB free where the ledger lies")


def _backup(backup: Mapping[str, Any] | None) -> list[Look]:
    if backup is None:
        return [Look("backup", True, "the home file asks for none")]
    if backup["fault"]:
        return [Look("backup", False, backup["fault"])]
    if backup["last"] is None:
        return [Look("backup", True, "none yet")]
    return [Look("backup", True, f"{backup['last']}, {duration(backup['last_age_s'])} old")]


def _queue(queue: Mapping[str, Any]) -> list[Look]:
    passed = queue["passed_over_readings"]
    return (
        [Look("messages", False, f"{passed} passed over: they come faster than they can be dealt with")]
        if passed
        else []
    )

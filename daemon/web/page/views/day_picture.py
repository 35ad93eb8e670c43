"""The day as a picture: where each line, mark and word stands, in per cent of the width, and the same as a table.

The drawing itself is the template's. Widths are per cent, so that it fits any screen without any script; what is drawn
as a path lies in a box of WIDTH × HEIGHT units that the browser stretches.
"""

from collections.abc import Sequence
from dataclasses import dataclass
from datetime import datetime, timedelta
from zoneinfo import ZoneInfo

from daemon.web.page.views.day import GAP_S, DayRecord, Stretch, lane, mean, stretches, value_at
from daemon.web.page.views.figures import fixed, utc
from rules.model.formatting import percent, watts
from rules.model.wording import Fitting, Number, Sentence, joined, say

WIDTH, HEIGHT = 1000, 200
_SURPLUS_OVER_S = 300
_STEPS_W = (500, 1000, 2000, 3000, 4000, 5000, 6000, 8000, 10_000, 15_000, 20_000, 30_000, 50_000)
_CHARS_PER_PCT_WIDE, _CHARS_PER_PCT_NARROW = 1.35, 0.38
"""How many characters of a lane's words fit into a per cent of its width: on a wide and on a narrow screen."""
_SHORT = {
    "sun to the tank": say("sun"),
    "heating from the grid": say("grid"),
    "tank full": say("full"),
    "battery first": say("battery"),
    "selling pays more": say("selling"),
    "too little sun": say("no sun"),
    "no fresh readings": say("silent"),
    "not recorded": "",
}
"""Where there is no room for the words."""


@dataclass(frozen=True, slots=True)
class Mark:
    """Something at a place of the day. x: per cent; end: whether its words must stand before it."""

    x: str
    words: str
    anchor: str = "middle"


@dataclass(frozen=True, slots=True)
class Block:
    """One stretch of a lane. wide, narrow: as much of its words as there is room for on a wide and a narrow screen;
    link: the query that leads to its reasons, "" where nothing is known."""

    x: str
    width: str
    kind: str
    wide: str
    narrow: str
    said: str
    link: str


@dataclass(frozen=True, slots=True)
class Row:
    """One row of the table."""

    from_: str
    to: str
    heater: str
    reason: str
    tank: str
    surplus: str
    link: str


@dataclass(frozen=True, slots=True)
class DayPicture:
    """All of it. y: of a line, in px of HEIGHT; said: the picture in a sentence, for who cannot see it."""

    day: str
    said: str
    level: str
    surplus: str
    permitted: str
    scale: str
    stop_y: float
    resume_y: float
    stop: str
    resume: str
    rings: tuple[Mark, ...]
    hours: tuple[Mark, ...]
    ticks: tuple[str, ...]
    now: str
    at: str
    lanes: tuple[tuple[str, tuple[Block, ...]], ...]
    rows: tuple[Row, ...]


def day_picture(record: DayRecord, timezone: str, heaters: Sequence[str], at_s: float | None = None) -> DayPicture:
    """The picture. heaters: whose lanes are drawn; at_s: an instant that is marked, UTC seconds."""
    zone = ZoneInfo(timezone)
    place = _Places(record)
    exact = {heater: stretches(record, heater) for heater in heaters}
    lanes = {heater: lane(exact[heater], record.from_s, record.until_s) for heater in heaters}
    on = [stretch for heater in heaters for stretch in exact[heater] if stretch.on]
    surplus = _means(record.surplus)
    scale_w = _scale_w(surplus)
    clock = _Clock(zone)
    local = datetime.fromtimestamp(record.from_s, zone)
    return DayPicture(
        day=local.date().isoformat(),
        said=_said(record, lanes, clock),
        level=place.path(record.levels, 100.0),
        surplus=place.path([(at, max(0.0, value)) for at, value in surplus], scale_w),
        permitted=" ".join(
            f"M{place.x(one.from_s):.1f} 0H{place.x(one.to_s):.1f}V{HEIGHT}H{place.x(one.from_s):.1f}Z" for one in on
        ),
        scale=Number(f"{fixed(scale_w / 1000, 1).removesuffix('.0')} kW"),
        stop_y=_y(record.stop_pct),
        resume_y=_y(record.resume_pct),
        stop=percent(record.stop_pct),
        resume=percent(record.resume_pct),
        rings=tuple(
            Mark(place.pct(stop.at_s), say("confirmed stop at {time}", time=clock(stop.at_s)))
            for stop in record.stops
            if record.from_s <= stop.at_s < record.to_s
        ),
        hours=tuple(_hours(record, local, place)),
        ticks=tuple(place.pct(record.from_s + hour * 3600) for hour in range(3, 24, 3)),
        now=place.pct(record.until_s) if record.until_s < record.to_s else "",
        at="" if at_s is None or not record.from_s <= at_s < record.to_s else place.pct(at_s),
        lanes=tuple((heater, tuple(_block(one, place, clock) for one in lanes[heater])) for heater in heaters),
        rows=tuple(_row(one, heater, record, clock) for heater in heaters for one in lanes[heater]),
    )


class _Clock:
    """UTC seconds as the home's clock shows them."""

    def __init__(self, zone: ZoneInfo) -> None:
        self._zone = zone

    def __call__(self, at_s: float) -> str:
        return f"{utc(at_s).astimezone(self._zone):%H:%M}"


class _Places:
    """Where an instant of the day stands."""

    def __init__(self, record: DayRecord) -> None:
        self._from_s, self._long_s = record.from_s, record.to_s - record.from_s
        self._until_s = record.until_s

    def pct(self, at_s: float) -> str:
        return f"{100 * (at_s - self._from_s) / self._long_s:.2f}%"

    def width_pct(self, seconds: float) -> float:
        return 100 * seconds / self._long_s

    def x(self, at_s: float) -> float:
        return WIDTH * (at_s - self._from_s) / self._long_s

    def path(self, points: Sequence[tuple[float, float]], full: float) -> str:
        """A line through the points, thinned to what can be seen; a long silence breaks it."""
        drawn: list[str] = []
        last_s = last_y = float("-inf")
        for at_s, value in points:
            if not self._from_s <= at_s <= self._until_s:
                continue
            move = "M" if at_s - last_s > GAP_S else "L"
            y = round(HEIGHT - HEIGHT * min(max(value / full, 0.0), 1.0), 1)
            if move == "M" or y != last_y or at_s - last_s > 600:
                drawn.append(f"{move}{self.x(at_s):.1f} {y:.1f}")
                last_s, last_y = at_s, y
        return "".join(drawn)


def _y(level_pct: float) -> float:
    return round(HEIGHT - HEIGHT * min(max(level_pct, 0.0), 100.0) / 100, 1)


def _means(points: Sequence[tuple[float, float]]) -> list[tuple[float, float]]:
    """Means over five minutes, each at the middle of its time: a kettle is no weather."""
    by_slot: dict[int, list[float]] = {}
    for at_s, value in points:
        by_slot.setdefault(int(at_s // _SURPLUS_OVER_S), []).append(value)
    return [((slot + 0.5) * _SURPLUS_OVER_S, sum(values) / len(values)) for slot, values in sorted(by_slot.items())]


def _scale_w(points: Sequence[tuple[float, float]]) -> float:
    most_w = max((value for _, value in points), default=0.0)
    return float(next((step_w for step_w in _STEPS_W if step_w >= most_w), _STEPS_W[-1]))


def _hours(record: DayRecord, local: datetime, place: _Places) -> list[Mark]:
    marks = [Mark("0%", "0:00", "start")]
    for hour in (6, 12, 18):
        at = (local.replace(tzinfo=None) + timedelta(hours=hour)).replace(tzinfo=local.tzinfo)
        marks.append(Mark(place.pct(at.timestamp()), f"{hour}:00"))
    return [*marks, Mark("100%", "24:00", "end")]


def _kind(stretch: Stretch) -> str:
    if stretch.row is None:
        return "unknown"
    return stretch.row.order.value if stretch.on else "off"


def _link(stretch: Stretch) -> str:
    return "" if stretch.row is None else f"at={int(max(stretch.row.at_s, stretch.from_s)) + 1}"


def _block(stretch: Stretch, place: _Places, clock: _Clock) -> Block:
    width_pct = place.width_pct(stretch.to_s - stretch.from_s)
    return Block(
        x=place.pct(stretch.from_s),
        width=f"{width_pct:.2f}%",
        kind=_kind(stretch),
        wide=_fitting(stretch.reason, width_pct * _CHARS_PER_PCT_WIDE),
        narrow=_fitting(stretch.reason, width_pct * _CHARS_PER_PCT_NARROW),
        said=joined((stretch.reason, _span(stretch, clock))),
        link=_link(stretch),
    )


def _fitting(reason: str, room: float) -> Fitting:
    """The words that fit into so many characters."""
    return Fitting((reason, _SHORT.get(reason, reason)), room - 1)


def _span(stretch: Stretch, clock: _Clock) -> str:
    return say("{begin} to {end}", begin=clock(stretch.from_s), end=clock(stretch.to_s))


def _row(stretch: Stretch, heater: str, record: DayRecord, clock: _Clock) -> Row:
    begin, end = value_at(record.levels, stretch.from_s), value_at(record.levels, stretch.to_s)
    if begin is None:
        begin = next((value for at_s, value in record.levels if at_s < stretch.to_s), None)
    surplus_w = mean(record.surplus, stretch.from_s, stretch.to_s)
    tank = "–" if begin is None or end is None else say("{begin} to {end}", begin=percent(begin), end=percent(end))
    return Row(
        from_=clock(stretch.from_s),
        to=clock(stretch.to_s),
        heater=heater,
        reason=stretch.reason,
        tank=tank,
        surplus="–" if surplus_w is None else watts(surplus_w),
        link=_link(stretch),
    )


def _said(record: DayRecord, lanes: dict[str, list[Stretch]], clock: _Clock) -> str:
    levels = [value for _, value in record.levels]
    if not levels:
        return say("No level of the tank is on record for this day.")
    low, high, last = (percent(level) for level in (min(levels), max(levels), levels[-1]))
    said: list[str] = [say("Tank between {low} and {high}, last {last}", low=low, high=high, last=last)]
    on = [one for stretches_ in lanes.values() for one in stretches_ if one.on]
    if on:
        times = joined(_span(one, clock) for one in on[:6])
        more = say("heater permitted {times} and more", times=times)
        said.append(more if len(on) > 6 else say("heater permitted {times}", times=times))
    said += [say("confirmed stop at {time}", time=clock(stop.at_s)) for stop in record.stops]
    return Sentence(joined(said, "; "))

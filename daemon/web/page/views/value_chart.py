"""Value as a picture: for each period what was at stake either way, what diverting gained or lost on it, and the sum.

The base is the lesser of what was avoided and what it cost (given up, and bought where something was): so much changed
hands whichever way. What stands on it is the net. Places across are per cent of the width; heights are px.
"""

from collections.abc import Iterable, Mapping, Sequence
from dataclasses import dataclass
from datetime import date, datetime
from math import ceil, floor, log10
from typing import Any
from zoneinfo import ZoneInfo

from daemon.config.model import Home
from daemon.web.page.views.figures import fixed
from rules.model.formatting import MONTHS
from rules.model.wording import Day, Number, joined, say

HEIGHT, SUM_HEIGHT = 220, 90
_MOST_MARKS = 6
_FLAT_WIDE, _TURNED_WIDE = 24, 70
_FLAT_NARROW, _TURNED_NARROW = 6, 20
"""With up to so many periods there is room for the net above each, set flat or turned, on a wide and narrow screen."""
_LABELS_WIDE, _LABELS_NARROW = 9, 3


@dataclass(frozen=True, slots=True)
class Bar:
    """One period. base_y, base_h, net_y, net_h: the two parts; label_y: the foot of the figure above them."""

    x: str
    width: str
    middle: str
    base_y: float
    base_h: float
    net_y: float
    net_h: float
    gained: bool
    net: str
    label_y: float
    said: str


@dataclass(frozen=True, slots=True)
class AxisLabel:
    """A period named under the axis. year: where it is another than before, else ""; screens: the class of the screens
    it is for."""

    x: str
    words: str
    year: str
    anchor: str
    screens: str


@dataclass(frozen=True, slots=True)
class Line:
    """A horizontal line with its figure."""

    y: float
    words: str


@dataclass(frozen=True, slots=True)
class PriceMark:
    """A price that changed within the span. x: where, per cent; words: which price and its figure."""

    x: str
    words: str
    anchor: str
    y: int


@dataclass(frozen=True, slots=True)
class ValueChart:
    """The whole picture. figures: the class that says how the net is set above the bars; sum_path: in a box of
    1000 × SUM_HEIGHT; sum_zero: the y of nothing."""

    bars: tuple[Bar, ...]
    labels: tuple[AxisLabel, ...]
    lines: tuple[Line, ...]
    marks: tuple[PriceMark, ...]
    marks_h: int
    figures: str
    sum_path: str
    sum_zero: float
    sum_lines: tuple[Line, ...]
    sum_end: str
    said: str


def value_chart(
    rows: Sequence[Mapping[str, Any]],
    by: str,
    currency: str,
    names: Sequence[str],
    changes: Sequence[tuple[float, str]],
) -> ValueChart | None:
    """The picture of rows of `brimful.value/1`; None without any.

    names: how each row is called in the table; changes: UTC seconds and words of prices that changed.
    """
    if not rows:
        return None
    parts = [_parts(row) for row in rows]
    most = max(max((base + abs(net) for base, net in parts), default=0.0), 0.01)
    step = nice_step(most)
    top = step * ceil(most / step - 1e-9)
    share = 100 / len(rows)
    bars = []
    for place, (row, (base, net), name) in enumerate(zip(rows, parts, names, strict=True)):
        base_h, net_h = HEIGHT * base / top, HEIGHT * abs(net) / top
        words = fixed(row["net"], sign=True)
        bars.append(
            Bar(
                x=f"{share * (place + 0.16):.3f}%",
                width=f"{share * 0.68:.3f}%",
                middle=f"{share * (place + 0.5):.3f}%",
                base_y=round(HEIGHT - base_h, 1),
                base_h=round(base_h, 1),
                net_y=round(HEIGHT - base_h - net_h, 1),
                net_h=round(net_h, 1),
                gained=net >= 0,
                net=words if row["diverted_kwh"] else "",
                label_y=round(HEIGHT - base_h - net_h - 6, 1),
                said=say("{period}: net {money}", period=name, money=Number(f"{words} {currency}")),
            )
        )
    marks = _marks(rows, changes)
    path, zero, sum_lines, end = _sums([row["net"] for row in rows])
    return ValueChart(
        bars=tuple(bars),
        labels=tuple(_labels(rows, by)),
        lines=tuple(
            Line(round(HEIGHT - HEIGHT * n * step / top, 1), fixed(n * step)) for n in range(1, round(top / step) + 1)
        ),
        marks=tuple(marks),
        marks_h=16 * len(marks),
        figures=_figures(len(rows)),
        sum_path=path,
        sum_zero=zero,
        sum_lines=tuple(sum_lines),
        sum_end=Number(f"{fixed(end, sign=True)} {currency}"),
        said=_said(rows, names, currency),
    )


def price_changes(home: Home) -> list[tuple[float, str]]:
    """When a price of the home file's tariffs changed: UTC seconds, and which with its new figure."""
    zone = ZoneInfo(home.home.timezone)
    found = []
    for name, tariff in home.tariffs.items():
        periods = sorted(tariff.periods, key=lambda period: period.from_)
        for period in periods[1:]:
            prices = sorted({float(band.price) for band in period.bands} or {float(one.price) for one in period.blocks})
            if prices:
                figures = fixed(prices[0], 4) + (f"–{fixed(prices[-1], 4)}" if len(prices) > 1 else "")
                at = datetime(period.from_.year, period.from_.month, period.from_.day, tzinfo=zone)
                found.append((at.timestamp(), joined((name, Number(figures)), " ")))
    return sorted(found)


def _parts(row: Mapping[str, Any]) -> tuple[float, float]:
    """The base, and the net that stands on it."""
    cost = row["given_up"] + row.get("bought", 0.0)
    return max(0.0, min(row["avoided"], cost)), row["net"]


def nice_step(most: float) -> float:
    """The distance of the lines: 1, 2 or 5 with zeros, four or five of them."""
    rough = most / 4
    power = 10.0 ** floor(log10(rough))
    return float(next(factor * power for factor in (1, 2, 5, 10) if factor * power >= rough - 1e-12))


def _figures(many: int) -> str:
    wide = "flat-wide" if many <= _FLAT_WIDE else "turned-wide" if many <= _TURNED_WIDE else "no-wide"
    narrow = "flat-narrow" if many <= _FLAT_NARROW else "turned-narrow" if many <= _TURNED_NARROW else "no-narrow"
    return f"{wide} {narrow}"


def _labels(rows: Sequence[Mapping[str, Any]], by: str) -> Iterable[AxisLabel]:
    many = len(rows)
    starts = [datetime.fromisoformat(row["start"]) for row in rows]
    wide, narrow = (_chosen(many, most) for most in (_LABELS_WIDE, _LABELS_NARROW))
    years: dict[str, int | None] = {"wide": None, "narrow": None}
    for place, start in enumerate(starts):
        for screen, chosen in (("wide", wide), ("narrow", narrow)):
            if place not in chosen:
                continue
            year = "" if by == "year" or years[screen] == start.year else f"{start.year}"
            years[screen] = start.year
            anchor = "start" if place == 0 and many > 3 else "end" if place == many - 1 and many > 3 else "middle"
            at = {"start": place, "middle": place + 0.5, "end": place + 1}[anchor]
            yield AxisLabel(f"{100 * at / many:.3f}%", _name(start.date(), by), year, anchor, screen)


def _chosen(many: int, most: int) -> set[int]:
    """The places that are named: even steps from the first."""
    step = max(1, -(-many // most))
    return {place for place in range(0, many, step) if place == 0 or many - place >= step / 2}


def _name(start: date, by: str) -> str:
    match by:
        case "year":
            return f"{start.year}"
        case "month":
            return Day(MONTHS[start.month - 1], start, "MMM")
    return Day(f"{start.day} {MONTHS[start.month - 1]}", start, "MMMd")


def _marks(rows: Sequence[Mapping[str, Any]], changes: Sequence[tuple[float, str]]) -> list[PriceMark]:
    starts = [datetime.fromisoformat(row["start"]).timestamp() for row in rows]
    end_s = datetime.fromisoformat(rows[-1]["end"]).timestamp()
    ends = [*starts[1:], max(end_s, starts[-1] + 1)]
    found: list[PriceMark] = []
    for at_s, words in [one for one in changes if starts[0] < one[0] < ends[-1]][-_MOST_MARKS:]:
        place = max(n for n, start_s in enumerate(starts) if start_s <= at_s)
        inside = (at_s - starts[place]) / (ends[place] - starts[place])
        x = 100 * (place + min(inside, 1.0)) / len(rows)
        found.append(PriceMark(f"{x:.3f}%", words, "start" if x < 55 else "end", 12 + 16 * len(found)))
    return found


def _sums(nets: Sequence[float]) -> tuple[str, float, list[Line], float]:
    """The cumulative net as a path, the y of nothing, the lines with their figures, and where it ends."""
    sums = [0.0]
    for net in nets:
        sums.append(sums[-1] + net)
    low, high = min(sums), max(sums)
    span = (high - low) or 1.0

    def y(value: float) -> float:
        return round(4 + (SUM_HEIGHT - 8) * (high - value) / span, 1)

    points = [f"{1000 * n / len(nets):.1f} {y(value)}" for n, value in enumerate(sums)]
    return "M" + "L".join(points), y(0.0), [Line(y(0.0), fixed(0.0))], sums[-1]


def _said(rows: Sequence[Mapping[str, Any]], names: Sequence[str], currency: str) -> str:
    total = sum(row["net"] for row in rows)
    best = max(range(len(rows)), key=lambda n: rows[n]["net"])
    worst = min(range(len(rows)), key=lambda n: rows[n]["net"])
    return say(
        "Net by period: {money} in all, highest {best} with {most}, lowest {worst} with {least}. The table has every"
        " figure.",
        money=Number(f"{fixed(total, sign=True)} {currency}"),
        best=names[best],
        most=fixed(rows[best]["net"], sign=True),
        worst=names[worst],
        least=fixed(rows[worst]["net"], sign=True),
    )

"""Charts as SVG, drawn from figures: bars from a base, a line with its band, ranges. Each says what it shows.

They are drawn for a desk and for print or, narrow, for a phone, where the names of ranges stand above them.
"""

from collections.abc import Callable, Sequence
from dataclasses import dataclass
from html import escape

_WIDE, _NARROW = 720, 340
_RIGHT, _TOP, _BOTTOM = 16, 12, 28
_ROW, _ABOVE, _NAMES = 26, 16, 210
_LETTER = 6.2
"""How wide a letter is, on the whole."""
_SVG = "http://www.w3.org/2000/svg"


Chart = Callable[..., str]
"""Draws a chart as SVG; takes `narrow`."""


@dataclass(frozen=True, slots=True)
class Bar:
    """A named value; soft: drawn lighter, for what is modelled and not measured."""

    name: str
    value: float
    soft: bool = False


@dataclass(frozen=True, slots=True)
class Span:
    """A named range with its middle (None: none)."""

    name: str
    low: float
    high: float
    middle: float | None = None


def bars(title: str, items: Sequence[Bar], *, narrow: bool = False) -> str:
    """Upright bars from a base line at 0."""
    width, left, height = *_sizes(narrow), 220
    low, high = _reach([0.0, *(item.value for item in items)])
    step = (width - left - _RIGHT) / max(1, len(items))
    parts = _frame(low, high, width, height)
    every = max(1 if len(items) <= 12 else -(-len(items) // 8), _every([item.name for item in items], step))
    for place, item in enumerate(items):
        x = left + place * step + step * 0.15
        top, bottom = sorted((_y(item.value, low, high, height), _y(0.0, low, high, height)))
        kind = ("gain" if item.value >= 0 else "loss") + (" soft" if item.soft else "")
        size = f'width="{step * 0.7:.1f}" height="{bottom - top:.1f}"'
        parts.append(_mark(kind, f'rect x="{x:.1f}" y="{top:.1f}" {size}'))
        if place % every == 0:
            parts.append(_text(x + step * 0.35, height - 8, item.name, "middle"))
    return _svg(title, width, height, parts)


def band(
    title: str,
    names: Sequence[str],
    low: Sequence[float],
    mid: Sequence[float],
    high: Sequence[float],
    *,
    narrow: bool = False,
) -> str:
    """A line with its band, from left to right."""
    width, left, height = *_sizes(narrow), 240
    bottom, top = _reach([0.0, *low, *high])
    step = (width - left - _RIGHT) / max(1, len(names) - 1)

    def point(place: int, value: float) -> str:
        return f"{left + place * step:.1f},{_y(value, bottom, top, height):.1f}"

    upper = [point(place, value) for place, value in enumerate(high)]
    lower = [point(place, value) for place, value in enumerate(low)]
    parts = _frame(bottom, top, width, height)
    parts.append(_mark("band", f'polygon points="{" ".join([*upper, *reversed(lower)])}"'))
    parts.append(_mark("line", f'polyline points="{" ".join(point(*each) for each in enumerate(mid))}"'))
    every = max(-(-len(names) // 16), _every(names, step))
    parts += [
        _text(left + place * step, height - 8, name, "middle") for place, name in enumerate(names) if place % every == 0
    ]
    return _svg(title, width, height, parts)


def spans(title: str, items: Sequence[Span], centre: float = 0.0, *, narrow: bool = False) -> str:
    """Ranges below each other, with a line at `centre`."""
    width, _ = _sizes(narrow)
    above, names = (_ABOVE, _RIGHT) if narrow else (0, _NAMES)
    row = _ROW + above
    height = _TOP + row * len(items) + _BOTTOM
    low, high = _reach([centre, *(item.low for item in items), *(item.high for item in items)])
    scale = (width - names - _RIGHT) / (high - low)

    def x_of(value: float) -> float:
        return names + (value - low) * scale

    x = x_of(centre)
    parts = [] if narrow else [_mark("base", f'line x1="{x:.1f}" x2="{x:.1f}" y1="{_TOP}" y2="{height - _BOTTOM}"')]
    for place, item in enumerate(items):
        y = _TOP + place * row + above
        if narrow:  # not through the names
            parts.append(_mark("base", f'line x1="{x:.1f}" x2="{x:.1f}" y1="{y + 2}" y2="{y + _ROW - 2}"'))
        left, right = sorted((x_of(item.low), x_of(item.high)))
        parts.append(_text(0, y, item.name, "start") if narrow else _text(names - 8, y + 16, item.name, "end"))
        size = f'width="{max(1.5, right - left):.1f}" height="{_ROW - 10}"'
        parts.append(_mark("span", f'rect x="{left:.1f}" y="{y + 5}" {size}'))
        if item.middle is not None:
            mid = x_of(item.middle)
            parts.append(_mark("mid", f'line x1="{mid:.1f}" x2="{mid:.1f}" y1="{y + 3}" y2="{y + _ROW - 3}"'))
    parts.extend(_text(x_of(value), height - 8, _number(value), "middle") for value in _ticks(low, high))
    return _svg(title, width, height, parts)


_LOOKS = {
    "grid": 'stroke="#c9c4b6" stroke-width="0.6"',
    "base": 'stroke="#1d2730" stroke-width="1.2"',
    "gain": 'fill="#2f6d62"',
    "gain soft": 'fill="#2f6d62" fill-opacity="0.45"',
    "loss": 'fill="#a5502f"',
    "loss soft": 'fill="#a5502f" fill-opacity="0.45"',
    "band": 'fill="#7d8fa6" fill-opacity="0.35"',
    "line": 'fill="none" stroke="#1d2730" stroke-width="2"',
    "span": 'fill="#7d8fa6"',
    "mid": 'stroke="#1d2730" stroke-width="2"',
}
"""How each kind of mark looks where no style sheet says so, as in print."""


def _mark(kind: str, shape: str) -> str:
    """A shape of a kind: its class for a style sheet, and its looks without one."""
    name, _, rest = shape.partition(" ")
    return f'<{name} class="{kind}" {_LOOKS[kind]} {rest}/>'


def _sizes(narrow: bool) -> tuple[int, int]:
    """Width, and of it the room for the figures at the left."""
    return (_NARROW, 48) if narrow else (_WIDE, 64)


def _every(names: Sequence[str], step: float) -> int:
    """Of how many names one has room, at `step` from each other."""
    return -int(-(max(map(len, names), default=0) * _LETTER + 8) // step)


def _svg(title: str, width: int, height: float, parts: Sequence[str]) -> str:
    return (
        f'<svg xmlns="{_SVG}" viewBox="0 0 {width} {height}" role="img" aria-label="{escape(title, quote=True)}">'
        f"{''.join(parts)}</svg>"
    )


def _frame(low: float, high: float, width: int, height: float) -> list[str]:
    parts, left = [], _sizes(width < _WIDE)[1]
    for value in _ticks(low, high):
        y = _y(value, low, high, height)
        kind = "base" if value == 0 else "grid"
        parts.append(_mark(kind, f'line x1="{left}" x2="{width - _RIGHT}" y1="{y:.1f}" y2="{y:.1f}"'))
        parts.append(_text(left - 6, y + 4, _number(value), "end"))
    return parts


def _text(x: float, y: float, text: str, anchor: str) -> str:
    return f'<text x="{x:.1f}" y="{y:.1f}" font-size="12" text-anchor="{anchor}">{escape(text)}</text>'


def _reach(values: Sequence[float]) -> tuple[float, float]:
    low, high = min(values), max(values)
    if high - low < 1e-9:
        return low - 1.0, high + 1.0
    return low - 0.04 * (high - low) * (low < 0), high + 0.04 * (high - low)


def _ticks(low: float, high: float) -> list[float]:
    """Round values within a reach, about five, 0 among them where it is in it."""
    rough = (high - low) / 5
    size = 10.0 ** len(str(int(rough))) / 10 if rough >= 1 else 1.0
    while size > rough:
        size /= 10
    step = next(size * factor for factor in (1, 2, 5, 10) if size * factor >= rough)
    first = int(low / step) - 1
    return [place * step for place in range(first, first + 12) if low <= place * step <= high]


def _number(value: float) -> str:
    return f"{value:,.0f}" if abs(value) >= 10 or value == 0 else f"{value:.2g}"


def _y(value: float, low: float, high: float, height: float) -> float:
    return _TOP + (high - value) / (high - low) * (height - _TOP - _BOTTOM)

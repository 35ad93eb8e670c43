"""Charts as SVG, drawn from figures: bars from a base, a line with its band, ranges. Each says what it shows."""

from collections.abc import Callable, Sequence
from dataclasses import dataclass
from html import escape

from rules.model.wording import Number

_WIDTH, _LEFT, _RIGHT, _TOP, _BOTTOM = 720, 64, 16, 12, 28
_ROW, _NAMES = 26, 210
_SVG = "http://www.w3.org/2000/svg"

Said = Callable[[str], str]
"""Says a text in a reader's language."""
Chart = Callable[..., str]
"""Draws a chart as SVG; takes `said`, without which it is in English."""


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


def bars(title: str, items: Sequence[Bar], height: int = 220, *, said: Said = str) -> str:
    """Upright bars from a base line at 0."""
    low, high = _reach([0.0, *(item.value for item in items)])
    step = (_WIDTH - _LEFT - _RIGHT) / max(1, len(items))
    parts = _frame(low, high, height, said)
    every = 1 if len(items) <= 12 else -(-len(items) // 8)
    for place, item in enumerate(items):
        x = _LEFT + place * step + step * 0.15
        top, bottom = sorted((_y(item.value, low, high, height), _y(0.0, low, high, height)))
        kind = ("gain" if item.value >= 0 else "loss") + (" soft" if item.soft else "")
        size = f'width="{step * 0.7:.1f}" height="{bottom - top:.1f}"'
        parts.append(_mark(kind, f'rect x="{x:.1f}" y="{top:.1f}" {size}'))
        if place % every == 0:
            parts.append(_text(x + step * 0.35, height - 8, said(item.name), "middle"))
    return _svg(said(title), height, parts)


def band(
    title: str,
    names: Sequence[str],
    low: Sequence[float],
    mid: Sequence[float],
    high: Sequence[float],
    *,
    said: Said = str,
) -> str:
    """A line with its band, from left to right."""
    height = 240
    bottom, top = _reach([0.0, *low, *high])
    step = (_WIDTH - _LEFT - _RIGHT) / max(1, len(names) - 1)

    def point(place: int, value: float) -> str:
        return f"{_LEFT + place * step:.1f},{_y(value, bottom, top, height):.1f}"

    upper = [point(place, value) for place, value in enumerate(high)]
    lower = [point(place, value) for place, value in enumerate(low)]
    parts = _frame(bottom, top, height, said)
    parts.append(_mark("band", f'polygon points="{" ".join([*upper, *reversed(lower)])}"'))
    parts.append(_mark("line", f'polyline points="{" ".join(point(*each) for each in enumerate(mid))}"'))
    every = -(-len(names) // 16)
    parts += [
        _text(_LEFT + place * step, height - 8, said(name), "middle")
        for place, name in enumerate(names)
        if place % every == 0
    ]
    return _svg(said(title), height, parts)


def spans(title: str, items: Sequence[Span], centre: float = 0.0, *, said: Said = str) -> str:
    """Ranges below each other, with a line at `centre`."""
    height = _TOP + _ROW * len(items) + _BOTTOM
    low, high = _reach([centre, *(item.low for item in items), *(item.high for item in items)])
    scale = (_WIDTH - _NAMES - _RIGHT) / (high - low)

    def x_of(value: float) -> float:
        return _NAMES + (value - low) * scale

    x = x_of(centre)
    parts = [_mark("base", f'line x1="{x:.1f}" x2="{x:.1f}" y1="{_TOP}" y2="{height - _BOTTOM}"')]
    for place, item in enumerate(items):
        y = _TOP + place * _ROW
        left, right = sorted((x_of(item.low), x_of(item.high)))
        parts.append(_text(_NAMES - 8, y + 16, said(item.name), "end"))
        size = f'width="{max(1.5, right - left):.1f}" height="{_ROW - 10}"'
        parts.append(_mark("span", f'rect x="{left:.1f}" y="{y + 5}" {size}'))
        if item.middle is not None:
            x = x_of(item.middle)
            parts.append(_mark("mid", f'line x1="{x:.1f}" x2="{x:.1f}" y1="{y + 3}" y2="{y + _ROW - 3}"'))
    parts.extend(_text(x_of(value), height - 8, said(_number(value)), "middle") for value in _ticks(low, high))
    return _svg(said(title), height, parts)


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


def _svg(title: str, height: float, parts: Sequence[str]) -> str:
    return (
        f'<svg xmlns="{_SVG}" viewBox="0 0 {_WIDTH} {height}" role="img" aria-label="{escape(title, quote=True)}">'
        f"{''.join(parts)}</svg>"
    )


def _frame(low: float, high: float, height: float, said: Said) -> list[str]:
    parts = []
    for value in _ticks(low, high):
        y = _y(value, low, high, height)
        kind = "base" if value == 0 else "grid"
        parts.append(_mark(kind, f'line x1="{_LEFT}" x2="{_WIDTH - _RIGHT}" y1="{y:.1f}" y2="{y:.1f}"'))
        parts.append(_text(_LEFT - 6, y + 4, said(_number(value)), "end"))
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


def _number(value: float) -> Number:
    return Number(f"{value:,.0f}" if abs(value) >= 10 or value == 0 else f"{value:.2g}")


def _y(value: float, low: float, high: float, height: float) -> float:
    return _TOP + (high - value) / (high - low) * (height - _TOP - _BOTTOM)

"""Every Wh lands in one interval or in quarantine, whatever becomes of the readings on their way."""

import json
from dataclasses import dataclass, field
from fractions import Fraction
from itertools import pairwise

from hypothesis import given
from hypothesis import strategies as st

from accounting.books.booking import Books
from accounting.model.apportion import intervals, spread
from accounting.model.journal import balance
from tests.support.prices import COUNTED, POWERED, settings, utc

NOON = utc("2026-05-10T12:00+01:00")
LATE_S = 120
Reading = tuple[int, int]


@dataclass
class Told:
    """What a counter told: readings in the order of their time, and the Wh they show between first and last."""

    readings: list[Reading] = field(default_factory=list)
    shown_wh: int = 0


@st.composite
def counters(draw: st.DrawFn, glitches: bool = True) -> Told:
    """A counter of a 2800 W heater with gaps, resets, jumps and glitches; the last readings are sound."""
    told = Told()
    at_s, register_wh = NOON + draw(st.integers(0, 3600)), draw(st.integers(70_000, 1_000_000))
    told.readings.append((at_s, register_wh))
    quiet = 0
    for _ in range(draw(st.integers(1, 25))):
        kind = draw(st.sampled_from(("step", "step", "step", "gap", "jump", "reset")))
        if quiet or not glitches:
            kind = "gap" if kind == "gap" else "step"
        span_s = draw(st.integers(3601, 30_000)) if kind == "gap" else draw(st.integers(2, 900))
        at_s += span_s
        step_wh = draw(st.integers(0, 2800 * span_s // 3600))
        if kind == "jump":
            step_wh = 10_000 + draw(st.integers(0, 10**6))
        # A register that climbs past its old reading at once cannot be told from a glitch: three gaps bring 70,000 Wh.
        if kind == "reset" and register_wh > 70_000:
            register_wh = 0
        register_wh += step_wh
        told.shown_wh += step_wh
        # A reset or a jump is believed when the next readings bear it out: for so long, nothing else goes wrong.
        quiet = 3 if kind in ("jump", "reset") else max(0, quiet - 1)
        told.readings.append((at_s, register_wh))
        if glitches and not quiet and span_s > 1 and draw(st.booleans()):
            at_s += 1
            false_wh = draw(st.one_of(st.integers(0, max(0, register_wh - 1)), st.just(register_wh + 10**9)))
            told.readings.append((at_s, false_wh))
    for _ in range(4):
        at_s += 60
        register_wh += 1
        told.shown_wh += 1
        told.readings.append((at_s, register_wh))
    return told


@st.composite
def arrivals(draw: st.DrawFn, readings: list[Reading]) -> list[tuple[int, int, int]]:
    """The readings as they arrive: (when, at_s, value), each up to `LATE_S` late, some of them twice."""
    came = [
        (at_s + draw(st.integers(0, LATE_S)), at_s, value)
        for at_s, value in readings
        for _ in range(draw(st.integers(1, 2)))
    ]
    return sorted(came, key=lambda one: one[0])


class Keeper:
    """Keeps the newest version of every entry, as the ledger does, and restarts the books when told to."""

    def __init__(self, heater: str = "diverted_wh", interval_s: int = 1800) -> None:
        self.signal = heater
        self.settings = settings(COUNTED if heater == "diverted_wh" else POWERED, interval_s=interval_s)
        self.books = Books(self.settings)
        self.kept: dict[int, tuple[int, int, int]] = {}
        self.quarantined_wh = 0
        self.now_s = 0.0

    def note(self, at_s: float, value: float) -> None:
        self.books.note(self.signal, at_s, value)

    def settle(self, now_s: float) -> None:
        self.now_s = now_s
        for entry in self.books.settle(now_s):
            balance(entry)
            self.kept[entry.start_s] = (entry.diverted_wh, entry.estimated_wh, entry.measured_s)
        self.quarantined_wh += sum(item.wh for item in self.books.quarantined())

    def restart(self) -> None:
        self.books = Books(self.settings, json.loads(json.dumps(self.books.state())))

    def all(self) -> dict[int, tuple[int, int, int]]:
        """Settled and open intervals together: none is both."""
        still_open = {
            entry.start_s: (entry.diverted_wh, entry.estimated_wh, entry.measured_s)
            for entry in self.books.open_entries(self.now_s)
        }
        assert not still_open.keys() & self.kept.keys()
        return {start: figures for start, figures in (self.kept | still_open).items() if any(figures)}

    def total_wh(self) -> int:
        return sum(wh for wh, _, _ in self.all().values())


@given(st.data(), counters(), st.sampled_from((900, 1800, 3600)), st.sampled_from((0, 7200)))
def test_intervals_and_quarantine_add_up_to_what_the_counter_showed(
    data: st.DataObject, told: Told, interval_s: int, lag_s: int
) -> None:
    keeper = Keeper(interval_s=interval_s)
    for now_s, at_s, value in data.draw(arrivals(told.readings)):
        keeper.note(at_s, value)
        if data.draw(st.booleans()):
            keeper.settle(now_s + lag_s)  # with a lag, intervals are settled before their late readings come
        if data.draw(st.integers(0, 4)) == 0:
            keeper.restart()
    keeper.settle(keeper.now_s + 10**6)
    assert keeper.total_wh() + keeper.quarantined_wh == told.shown_wh


@given(st.data(), counters())
def test_the_order_of_arrival_does_not_matter(data: st.DataObject, told: Told) -> None:
    in_order, as_it_came = Keeper(), Keeper()
    for at_s, value in told.readings:
        in_order.note(at_s, value)
        in_order.settle(at_s)
    for now_s, at_s, value in data.draw(arrivals(told.readings)):
        as_it_came.note(at_s, value)
        as_it_came.settle(now_s + data.draw(st.sampled_from((0, 7200))))
    for keeper in (in_order, as_it_came):
        keeper.settle(told.readings[-1][0] + 10**6)
    assert as_it_came.all() == in_order.all()
    assert as_it_came.quarantined_wh == in_order.quarantined_wh


@given(counters())
def test_the_length_of_the_interval_changes_no_total(told: Told) -> None:
    totals = set()
    for interval_s in (900, 1800, 3600):
        keeper = Keeper(interval_s=interval_s)
        for at_s, value in told.readings:
            keeper.note(at_s, value)
        keeper.settle(told.readings[-1][0])
        figures = keeper.all().values()
        totals.add((keeper.total_wh(), sum(f[1] for f in figures), sum(f[2] for f in figures), keeper.quarantined_wh))
    assert len(totals) == 1


@given(counters())
def test_the_same_readings_give_the_same_state(told: Told) -> None:
    one, other = Books(settings()), Books(settings())
    for books in (one, other):
        for at_s, value in told.readings:
            books.note("diverted_wh", at_s, value)
    assert json.dumps(one.state()) == json.dumps(other.state())


@given(st.data(), counters(), st.sampled_from(("diverted_wh", "diverted_w")))
def test_readings_that_are_taken_together_count_as_if_they_came_one_by_one(
    data: st.DataObject, told: Told, signal: str
) -> None:
    one_by_one, together = Keeper(signal).books, Keeper(signal).books
    came = data.draw(arrivals(told.readings))
    while came:
        many = data.draw(st.integers(1, 8))
        some, came = came[:many], came[many:]
        times = [at_s for _, at_s, _ in some]
        values = [value % 3000 if signal == "diverted_w" else value for *_, value in some]
        together.note_all(signal, times, values)
        for at_s, value in zip(times, values, strict=True):
            one_by_one.note(signal, at_s, value)
        if data.draw(st.booleans()):
            assert together.settle(some[-1][0]) == one_by_one.settle(some[-1][0])
        assert together.state() == one_by_one.state()
        assert together.next_settle_s() == one_by_one.next_settle_s()


@given(counters(glitches=False))
def test_of_a_sound_counter_all_time_is_measured_but_the_gaps(told: Told) -> None:
    keeper = Keeper()
    for at_s, value in told.readings:
        keeper.note(at_s, value)
    keeper.settle(told.readings[-1][0])
    spans = [(b[0] - a[0], b[1] - a[1]) for a, b in pairwise(told.readings)]
    figures = keeper.all().values()
    assert sum(f[2] for f in figures) == sum(span_s for span_s, _ in spans if span_s <= 3600)
    assert sum(f[1] for f in figures) == sum(wh for span_s, wh in spans if span_s > 3600)


powers = st.lists(
    st.tuples(st.integers(1, 400), st.integers(0, 3_000_000)), min_size=1, max_size=40
)  # (seconds since the one before, mW)


@given(st.data(), powers)
def test_held_power_adds_up_to_the_integral(data: st.DataObject, steps: list[tuple[int, int]]) -> None:
    readings: list[Reading] = []
    at_s = NOON
    for span_s, mw in steps:
        at_s += span_s
        readings.append((at_s, mw))
    keeper = Keeper("diverted_w")
    for now_s, reading_s, mw in data.draw(arrivals(readings)):
        keeper.note(reading_s, mw / 1000)
        keeper.settle(now_s + data.draw(st.sampled_from((0, 7200))))
    keeper.settle(at_s + 10**6)
    assert {start_s: figures[0] for start_s, figures in keeper.all().items()} == integral(readings)


def integral(readings: list[Reading]) -> dict[int, int]:
    """Independently: exact energy by interval, held 60 s at most; whole Wh of the running sum. A reading below 0 holds
    nothing."""
    exact_mws: dict[int, int] = {}
    ends = [*(reading_s for reading_s, _ in readings[1:]), readings[-1][0] + 60]
    for (from_s, mw), next_s in zip(readings, ends, strict=True):
        for second in range(from_s, min(next_s, from_s + 60)):
            start_s = second - second % 1800
            exact_mws[start_s] = exact_mws.get(start_s, 0) + max(mw, 0)
    running_mws, expected = 0, {}
    for start_s in sorted(exact_mws):
        before_wh = running_mws // 3_600_000
        running_mws += exact_mws[start_s]
        expected[start_s] = running_mws // 3_600_000 - before_wh
    return expected


@given(st.data(), powers)
def test_a_restart_invents_no_energy_and_loses_what_came_after_the_last_write(
    data: st.DataObject, steps: list[tuple[int, int]]
) -> None:
    """Killed at any moment: what was written down counts, and what comes after the restart; nothing between."""
    keeper = Keeper("diverted_w")
    known: list[Reading] = []
    written, written_known, at_s = keeper.books.state(), list(known), NOON
    for span_s, mw in steps:
        at_s += span_s
        keeper.note(at_s, mw / 1000)
        known.append((at_s, mw))
        if data.draw(st.booleans()):
            now_s = at_s + data.draw(st.integers(0, span_s))
            at_s = now_s
            keeper.settle(now_s)
            written, written_known = json.loads(json.dumps(keeper.books.state())), [*known, (now_s, -1)]
            written_kept = dict(keeper.kept)
        elif data.draw(st.integers(0, 3)) == 0 and written_known:
            keeper.books, keeper.kept, known = Books(keeper.settings, written), dict(written_kept), list(written_known)
    keeper.settle(at_s + 10**6)
    truth = {start_s: wh for start_s, wh in integral(known).items() if wh} if known else {}
    assert {start_s: figures[0] for start_s, figures in keeper.all().items() if figures[0]} == truth


@given(st.integers(0, 10**9), st.lists(st.integers(0, 10**7), min_size=1, max_size=50).filter(any))
def test_spread_parts_add_up_and_are_within_one_of_their_share(amount: int, weights: list[int]) -> None:
    parts = spread(amount, weights)
    assert sum(parts) == amount
    for part, weight in zip(parts, weights, strict=True):
        assert abs(part - Fraction(amount * weight, sum(weights))) < 1


@given(st.integers(0, 10**7), st.integers(1, 10**7), st.sampled_from((900_000, 1_800_000, 3_600_000)))
def test_intervals_keep_all_the_time(from_ms: int, span_ms: int, interval_ms: int) -> None:
    parts = intervals(from_ms, from_ms + span_ms, interval_ms)
    assert sum(ms for _, ms in parts) == span_ms
    assert all(start % interval_ms == 0 and 0 < ms <= interval_ms for start, ms in parts)
    assert all(b[0] - a[0] == interval_ms for a, b in pairwise(parts))


@given(st.data(), st.lists(st.tuples(st.integers(1, 4000), st.integers(0, 20_000)), min_size=2, max_size=30))
def test_whatever_a_register_shows_no_more_is_booked_than_the_heater_can_have_taken(
    data: st.DataObject, steps: list[tuple[int, int]]
) -> None:
    """Jumps, restarts, small steps back and several publishers: each step within rated power, resolution and jitter."""
    readings, at_s = [], NOON
    for span_s, wh in steps:
        at_s += span_s
        readings.append((at_s, data.draw(st.sampled_from((wh, wh, wh % 50, 5000 + wh % 50)))))
    keeper = Keeper()
    for now_s, reading_s, wh in data.draw(arrivals(readings)):
        keeper.note(reading_s, wh)
        keeper.settle(now_s)
        if data.draw(st.integers(0, 4)) == 0:
            keeper.restart()
    keeper.settle(at_s + 10**6)
    figures = keeper.all().values()
    assert all(wh >= 0 for wh, _, _ in figures)
    span_s = readings[-1][0] - readings[0][0]
    each_wh = 1000 + 2800 * 1.1 * 30 / 3600  # the coarsest register's step, and the jitter of its times
    assert keeper.total_wh() <= 2800 * 1.1 * span_s / 3600 + len(readings) * each_wh

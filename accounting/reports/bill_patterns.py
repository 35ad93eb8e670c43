"""Patterns in a run of bills beside the logger's figures: one ratio, estimates, days that no bill covers, amounts.

They are patterns with their figures, and no proof. Common practice, no source.
"""

from collections.abc import Mapping, Sequence
from datetime import timedelta
from fractions import Fraction
from itertools import pairwise
from statistics import median
from zoneinfo import ZoneInfo

from accounting.model.periods import local_day
from accounting.pricing.tariffs import Priced, Tariff
from accounting.reports.bills import BillRow, Own, Suggestion, cause_of_ratio, kwh
from accounting.reports.supplier import Bill

_ENOUGH_BILLS = 3
_ROUND_WH = 100_000


def judged(rows: Sequence[BillRow]) -> list[BillRow]:
    """The bills that the logger covers by 90 %; the others are not judged."""
    return [row for row in rows if row.coverage >= 0.9 and row.own_wh]


def bill_scale(rows: Sequence[BillRow]) -> tuple[float, list[Suggestion]]:
    """The ratio that four in five of at least three bills share within 1 %, or within their rounding to whole kWh (1.0
    where there is none), and the sentence about it."""
    ratios = [(row.supplier_wh / row.own_wh, max(0.01, 600 / row.own_wh)) for row in judged(rows)]
    if len(ratios) < _ENOUGH_BILLS:
        return 1.0, []
    middle = median(ratio for ratio, _ in ratios)
    near = sum(abs(ratio - middle) <= within * max(middle, 1.0) for ratio, within in ratios)
    if near * 5 < len(ratios) * 4 or abs(middle - 1) < 0.015:
        return 1.0, []
    bills = f"on {near} of {len(ratios)} bills"
    sentence = f"the bills are {middle:.4g} times the logger's figures {bills}: {cause_of_ratio(middle)}"
    return middle, [Suggestion("scale", sentence)]


def estimated(rows: Sequence[BillRow], zone: ZoneInfo, ratio: float = 1.0) -> list[Suggestion]:
    """Bills that look like estimates, once a common ratio is taken out: one has too much and the next too little; a
    round figure far off; the same figure twice."""
    said = []
    found = judged(rows)
    over = {row: row.supplier_wh - ratio * row.own_wh for row in found}
    taken: set[BillRow] = set()
    for one, other in pairwise(found):
        touch = one.end_s == other.start_s and _off(one, over[one])
        if touch and abs(over[one] + over[other]) * 4 < abs(over[one]):
            back = f"{kwh(over[one])} kWh off on the bill from {local_day(one.start_s, zone)}, made up for in the next"
            said.append(f"{back} ({kwh(over[other])}): an estimated read between them?")
            taken |= {one, other}
        elif (
            one.supplier_wh
            and one.supplier_wh == other.supplier_wh
            and all(_off(row, over[row]) for row in (one, other))
        ):
            same = f"{one.supplier_wh / 1000:g} kWh from {local_day(one.start_s, zone)} and again in the next bill"
            said.append(f"{same}, {kwh(over[one])} and {kwh(over[other])} kWh off: estimated reads?")
            taken |= {one, other}
    for row in found:
        far = abs(over[row]) > max(0.05 * row.own_wh, 5000)
        if row not in taken and far and row.supplier_wh and row.supplier_wh % _ROUND_WH == 0:
            round_ = f"{row.supplier_wh // 1000} kWh from {local_day(row.start_s, zone)} is a round figure"
            said.append(f"{round_} and {kwh(over[row])} kWh off: an estimated read?")
    return [Suggestion("estimated", sentence) for sentence in said]


def left_out(bills: Sequence[Bill], zone: ZoneInfo) -> list[Suggestion]:
    """Days that no bill covers, or that the reading of `to` leaves out."""
    gaps = [
        (local_day(one.end_s, zone), local_day(other.start_s, zone))
        for one, other in pairwise(bills)
        if other.start_s > one.end_s
    ]
    one_day = [first for first, until in gaps if until - first == timedelta(days=1)]
    ask = "if `to` is a bill's last day, run it again with --last-day"
    if one_day and len(one_day) == len(bills) - 1:
        named = ", ".join(day.isoformat() for day in one_day[:5])
        return [Suggestion("last-day", f"no bill covers {named}: one day between each bill and the next; {ask}")]
    said = []
    for first, until in gaps:
        last = until - timedelta(days=1)
        days = f"{first}" if last == first else f"{first} to {last}"
        said.append(Suggestion("gap", f"no bill covers {days}: what was used then is in none"))
    if not gaps:
        whole = [bill for bill in bills if _whole_month_but_one(bill, zone)]
        if whole:
            first = local_day(whole[0].end_s, zone)
            said.append(Suggestion("last-day", f"the bill from {_from(whole[0], zone)} ends before {first}; {ask}"))
    return said


def expected_amount(
    bill: Bill, own: Mapping[int, Own], tariff: Priced | None, interval_s: int, zone: ZoneInfo
) -> Fraction | None:
    """What a bill's energy costs by the tariff, its standing charges included, in the currency unit.

    The bill's kWh at the mean price of the logger's own intervals, or, where the logger has nothing, at the mean over
    the time. None where any of it has no price, or is paid by an estimate of the generation.
    """
    if tariff is None:
        return None
    starts = range(-(-bill.start_s // interval_s) * interval_s, bill.end_s, interval_s)
    money, wh = Fraction(0), 0
    for start_s in starts:
        taken = own.get(start_s)
        if taken is None or not taken.wh:
            continue
        price = tariff.mean_price(start_s, start_s + interval_s)
        if price is None:
            return None
        money, wh = money + price * taken.wh, wh + taken.wh
    mean = money / wh if wh else tariff.mean_price(bill.start_s, bill.end_s)
    if mean is None:
        return None
    standing = Fraction(0)
    if isinstance(tariff, Tariff):
        period = tariff.period_at(bill.start_s)
        if period is not None and period.deemed_share is not None:
            return None
        standing = tariff.standing(local_day(bill.start_s, zone), local_day(bill.end_s, zone))
    return mean * bill.wh / 1000 + standing


def amounts(
    bills: Sequence[Bill], expected: Sequence[Fraction | None], zone: ZoneInfo, currency: str
) -> list[Suggestion]:
    """Bills whose amount is not what the tariff gives for their kWh, by more than 1 % and half a currency unit."""
    said = []
    for bill, own in zip(bills, expected, strict=True):
        if bill.amount is None or own is None:
            continue
        over = float(bill.amount) - float(own)
        if abs(over) > max(0.01 * abs(float(own)), 0.5):
            difference = (
                f"the bill from {_from(bill, zone)} is {bill.amount:.2f} {currency}, by the tariff {float(own):.2f}"
            )
            said.append(f"{difference} with standing charges: other prices, fees or tax than in the home file?")
    return [Suggestion("amount", sentence) for sentence in said]


def _off(row: BillRow, over_wh: float) -> bool:
    """Whether a difference is worth a mention: 2 % and 1 kWh."""
    return abs(over_wh) > max(0.02 * row.own_wh, 1000)


def _from(bill: Bill, zone: ZoneInfo) -> str:
    return local_day(bill.start_s, zone).isoformat()


def _whole_month_but_one(bill: Bill, zone: ZoneInfo) -> bool:
    """Whether a bill goes from a month's first day to its last day, so that the last day is left out."""
    first, end = local_day(bill.start_s, zone), local_day(bill.end_s, zone)
    return first.day == 1 and (end + timedelta(days=1)).day == 1 and end.day > 1

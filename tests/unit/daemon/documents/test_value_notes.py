"""Which share of the heat counted as used: said once, as a sentence that stands by itself."""

from fractions import Fraction
from zoneinfo import ZoneInfo

import pytest

from accounting.ledger.totals import Assumed
from accounting.reports.used_share import Used
from accounting.reports.value import ValueReport, ValueRow
from daemon.documents.value_notes import used_sentences
from daemon.documents.valuing import Valued


def valued(used: Used, *booked: tuple[str, int]) -> Valued:
    row = ValueRow(start_s=0, end_s=86_400, diverted_wh=sum(wh for _, wh in booked))
    report = ValueReport("month", ZoneInfo("UTC"), (row,), row)
    return Valued(report, used, assumed=tuple(Assumed(share, None, wh, 0, 0, 0) for share, wh in booked))


@pytest.mark.parametrize(
    ("used", "booked", "said"),
    [
        (Used(Fraction(1)), [("1", 8_000)], []),  # the notes have a sentence of their own for it
        (Used(Fraction(1)), [("9/10", 8_000)], ["90 % of the heat counted as used."]),
        (
            Used(Fraction(1)),
            [("1", 8_000), ("9/10", 2_000)],
            ["Share of the heat counted as used, as booked: 100 % (8.000 kWh); 90 % (2.000 kWh)."],
        ),
        (Used(Fraction(17, 20), "measured"), [("1", 8_000)], ["85 % of the heat counted as used."]),
    ],
)
def test_the_share_used_is_said_once(used: Used, booked: list[tuple[str, int]], said: list[str]) -> None:
    assert used_sentences(valued(used, *booked)) == said

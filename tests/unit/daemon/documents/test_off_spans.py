"""What off from one day to another would have brought: the ledger's own net with its sign turned."""

from datetime import date
from pathlib import Path

import pytest

from accounting.ledger import Ledger
from daemon.config.load import load
from daemon.documents.off_spans import off_answer, off_span
from daemon.documents.valuing import home_value
from rules.model.errors import BrimfulError
from tests.support.verdict_files import home_file, ledger_file


def test_a_span_is_read_as_it_is_written() -> None:
    span = off_span("2026-05-01..2026-06-01")
    assert (span.first, span.until, span.yearly) == (date(2026, 5, 1), date(2026, 6, 1), False)
    assert off_span("05-01..09-01").yearly
    assert off_span("11-01..02-29").yearly


@pytest.mark.parametrize(
    "text", ["", "2026-05-01", "2026-06-01..2026-05-01", "05-01..05-01", "may..june", "13-01..14-01"]
)
def test_what_is_none_is_refused(text: str) -> None:
    with pytest.raises(BrimfulError, match=r"expected FROM\.\.TO"):
        off_span(text)


def test_off_brings_the_net_with_its_sign_turned(tmp_path: Path) -> None:
    home = load(home_file(tmp_path))
    with Ledger.open_reader(ledger_file(tmp_path, 212)) as ledger:
        june, yearly, winter, none = off_answer(
            home,
            ledger,
            [off_span(t) for t in ("2026-06-01..2026-07-01", "06-01..07-01", "12-01..02-01", "2020-01-01..2021-01-01")],
        )
        months = home_value(ledger, home, "month").report.rows
        nets = [row.net_micro / 1e6 for row in months]
    assert june["brought"] == pytest.approx(-nets[5], abs=1e-6)
    assert june["brought"] > 0  # dear export in June
    assert june["days_known"] == pytest.approx(30)
    assert {**june, "off": "", "every_year": False} == {**yearly, "off": "", "every_year": False}
    assert june["brought"] == pytest.approx(june["given_up"] - june["avoided"])
    assert 0 <= june["given_up_forgone"] + june["given_up_bought"] <= june["given_up"]
    assert winter["brought"] == pytest.approx(-nets[0], abs=1e-6)
    assert (none["days_known"], none["brought"], none["coverage"]) == (0, 0, 0)

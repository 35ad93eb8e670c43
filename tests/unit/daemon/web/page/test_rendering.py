"""What is done to every page on its way out."""

import pytest

from daemon.web.page.rendering import units_kept


@pytest.mark.parametrize(
    ("html", "kept"),
    [
        ("<p>tank 94.6 %, 57.3 °C, 2 h 05 min</p>", "<p>tank 94.6~%, 57.3~°C, 2~h 05~min</p>"),
        ("4.95 kWh at 0.10 EUR a kWh", "4.95~kWh at 0.10~EUR a kWh"),
        ("<p>10 June, 3 heaters, 5 Wren Road</p>", "<p>10 June, 3 heaters, 5 Wren Road</p>"),
        ('<input value="note: 5 %"><b>5 %</b>', '<input value="note: 5 %"><b>5~%</b>'),
        ("<textarea># 5 %\n# 6 %</textarea>7 %", "<textarea># 5 %\n# 6 %</textarea>7~%"),
        ("<code>at 5 %</code> <p>5 %<code>x</code></p>", "<code>at 5 %</code> <p>5~%<code>x</code></p>"),
    ],
)
def test_no_line_ends_between_a_figure_and_its_unit(html: str, kept: str) -> None:
    assert units_kept(html) == kept.replace("~", "\u00a0")

"""Charts show what they are given: signs, sizes and ranges, and they are well-formed."""

from xml.etree import ElementTree

import pytest

from daemon.documents.verdict_charts import Bar, Span, band, bars, spans

SVG = "{http://www.w3.org/2000/svg}"


def shapes(text: str, name: str, kind: str = "") -> list[ElementTree.Element]:
    found = ElementTree.fromstring(text).iter(f"{SVG}{name}")
    return [each for each in found if kind in ("", each.get("class"))]


def test_bars_stand_on_the_base_and_are_as_long_as_their_values() -> None:
    text = bars('Net, <b> & "more"', [Bar("Jan", 10.0), Bar("Feb", -5.0), Bar("Mar", 20.0, soft=True)])
    gain, loss, soft = (shapes(text, "rect", kind)[0] for kind in ("gain", "loss", "gain soft"))
    heights = [float(each.get("height", 0)) for each in (gain, loss, soft)]
    assert heights[0] / heights[1] == pytest.approx(2, rel=0.02)
    assert heights[2] / heights[0] == pytest.approx(2, rel=0.02)
    base = float(shapes(text, "line", "base")[0].get("y1", 0))
    assert float(gain.get("y", 0)) + heights[0] == pytest.approx(base, abs=0.2)
    assert float(loss.get("y", 0)) == pytest.approx(base, abs=0.2)
    assert ElementTree.fromstring(text).get("aria-label") == 'Net, <b> & "more"'


def test_a_band_goes_round_its_line() -> None:
    text = band("Years", ["0", "1", "2"], [-5.0, 0.0, 2.0], [-5.0, 2.0, 6.0], [-5.0, 4.0, 10.0])
    points = shapes(text, "polygon")[0].get("points", "").split()
    line = shapes(text, "polyline")[0].get("points", "").split()
    assert (len(points), len(line)) == (6, 3)
    assert points[0] == points[-1] == line[0]
    at = [float(point.split(",")[1]) for point in (points[2], line[2], points[3])]
    assert at == sorted(at)


def test_spans_have_their_ends_and_middles_on_one_scale() -> None:
    text = spans("Saved", [Span("a", 100.0, 300.0, 200.0), Span("b", 200.0, 200.0, 200.0)])
    wide, thin = shapes(text, "rect", "span")
    assert float(wide.get("width", 0)) > 100
    assert float(thin.get("width", 0)) == 1.5
    middles = [float(each.get("x1", 0)) for each in shapes(text, "line", "mid")]
    assert middles[0] == middles[1] == pytest.approx(float(thin.get("x", 0)))
    assert middles[0] == pytest.approx(float(wide.get("x", 0)) + float(wide.get("width", 0)) / 2, abs=0.2)


@pytest.mark.parametrize("values", [[0.0, 0.0], [1e-3, -1e-3], [1e7, 2e7], [-3.0], [0.5]])
def test_any_reach_can_be_drawn(values: list[float]) -> None:
    assert shapes(bars("Any", [Bar(str(each), each) for each in values]), "line")


@pytest.mark.parametrize("narrow", [False, True])
def test_no_text_lies_on_another_or_outside(narrow: bool) -> None:
    months = [f"2026-{month:02}" for month in range(1, 13)]
    years, rise = [str(year) for year in range(26)], [year * 100.0 - 1200 for year in range(26)]
    names = ("share of the heat that is used", "growth of the electricity price", "life")
    for text in (
        bars("Net", [Bar(name, place - 3.0) for place, name in enumerate(months)], narrow=narrow),
        band("Life", years, rise, rise, [each * 1.5 for each in rise], narrow=narrow),
        spans("Each", [Span(name, -300.0, 12_000.0) for name in names], narrow=narrow),
    ):
        width = float(ElementTree.fromstring(text).get("viewBox", "").split()[2])
        assert (width <= 340) == narrow
        taken: dict[str, float] = {}  # by line, up to where
        shown = sorted(shapes(text, "text"), key=lambda each: float(each.get("x", 0)))
        assert len(shown) > 5
        for each in shown:
            length = len(each.text or "") * 6.0  # a letter of 12 px, on the whole
            begins = (
                float(each.get("x", 0)) - {"start": 0, "middle": length / 2, "end": length}[each.get("text-anchor", "")]
            )
            assert -1 <= begins <= width - length + 1, each.text
            if each.get("text-anchor") != "end" or narrow:
                assert begins >= taken.get(each.get("y", ""), -1.0), each.text
                taken[each.get("y", "")] = begins + length

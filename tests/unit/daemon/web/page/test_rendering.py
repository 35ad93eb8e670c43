"""What is done to every page on its way out, and that nothing of it is said but through the catalogs."""

import re
from importlib.resources import files
from pathlib import Path

import pytest
from markupsafe import escape

from daemon.web.languages.language import CODES, ENGLISH, language
from daemon.web.page.rendering import templates, units_kept
from rules.guards import GUARDS
from rules.model.signals import SIGNALS
from rules.model.wording import Number, Sentence, Stored, joined, say, say_many
from tests.support.marked_pages import MARKED, unmarked
from tests.support.page_rooms import pages, rendered

WRITTEN_BY_OTHERS = re.compile(r"\[[^\]]*\]")
"""What persons, devices and other parts of the program wrote stands in brackets in the house that is shown."""
FIGURES = re.compile(r"[\d.,:;+−\-–%/()·×=°]+|\{\w+\}")
"""Figures, and the places that the script fills with some."""
UNITS = frozenset(["W", "kW", "Wh", "kWh", "C", "L", "s", "min", "h", "kg", "CO2e", "GB", "EUR", "kg/kWh"])
NAMES = frozenset(["Wren", "Hut", "main", "upper", "homie", "reader", "roof", "import", "export", "all", "all_day"])
KEYS = frozenset(guard.NAME for guard in GUARDS) | {"heaters", "tracking", "return", "stop_at_pct", "true", "false"}
TOPICS = re.compile(r"(hut|cupboard)/\S+|/power/kw|rules\.\S+|tank\.\S+|home(\.new)?\.toml")
FORM = frozenset(("order", "heat"))
"""A form's field that was not sent, as it was entered."""
SET_UP = frozenset(["a", "b", "c", "d", "kw", "meter", "power"])
"""Topics, and names found in payloads."""
ENGLISH_FIGURES = re.compile(r"\d\.\d\d? (?:kW|°C|%|EUR)|\b(?:Wednesday|Thu|Wed|June|Jun) \d|\d{1,2} (?:May|June?)\b")


def _is_spoken(word: str) -> bool:
    known = word in UNITS | NAMES | KEYS | FORM | SET_UP or word in SIGNALS or TOPICS.fullmatch(word)
    return not known and not FIGURES.fullmatch(word)


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


def test_every_word_of_every_page_can_be_translated(tmp_path: Path) -> None:
    said: dict[str, str] = {}
    for name, html in rendered(MARKED, tmp_path):
        for text in unmarked(html):
            words = WRITTEN_BY_OTHERS.sub(" ", text).replace("°", " ").split()
            if any(_is_spoken(word.strip(".,:;()")) for word in words if word.strip(".,:;()")):
                said.setdefault(text, name)
    assert said == {}


def test_every_template_is_among_those_pages(tmp_path: Path) -> None:
    parts = {"base.html", "day_picture.html", "findings.html", "may.html", "now_live.html", "offline.html"}
    parts |= {"now_override.html", "now_rest.html", "now_top.html", "stock.html", "tonight_picture.html"}
    parts |= {"trial_part.html", "value_chart.html", "what_if_part.html"}
    whole = {template for _, template, _ in pages(tmp_path)}
    assert whole | parts == set(templates(language(ENGLISH)).list_templates())


def test_script_and_style_hold_no_words() -> None:
    static = files("daemon.web.page").joinpath("static")
    script = re.sub(r"/\*.*?\*/", "", static.joinpath("page.js").read_text(encoding="utf-8"), flags=re.DOTALL)
    texts = re.findall(r'"((?:[^"\\]|\\.)*)"|`([^`]*)`', script)
    assert [text for pair in texts for text in pair if re.search(r"[A-Za-z]{2,} [a-z]{2,}", text)] == ["use strict"]
    assert re.findall(r'content: "[^"]*[A-Za-z]', static.joinpath("style.css").read_text(encoding="utf-8")) == []


def test_a_value_within_a_template_is_said_in_its_language_and_escaped() -> None:
    german = templates(language("de")).from_string(
        "{% trans name=name, power=power %}{{ name }}: {{ power }}{% endtrans %}"
    )
    assert german.render(name="<b>", power=Number("1,240.5 W")) == "&lt;b&gt;: 1.240,5 W"
    english = templates(language(ENGLISH)).from_string("{{ text }} {{ many }}")
    made = {"text": say("tank {level}", level=Number("94.5 %")), "many": say_many("{n} day", "{n} days", 1000)}
    assert english.render(made) == "tank 94.5 % 1,000 days"


@pytest.mark.parametrize("code", CODES)
def test_what_others_wrote_is_neither_filled_in_nor_taken_for_a_page(code: str) -> None:
    hostile = "{x} {0.y} {{ z }} %(topic)s 100 % <b>\"'"
    page = templates(language(code)).from_string(
        '<a title="{% trans topic=text %}expected on <code>{{ topic }}</code>{% endtrans %}">{{ text }}</a>'
    )
    for text in (hostile, say("{name} twice", name=hostile), Stored(hostile), Sentence(joined((hostile, hostile)))):
        html = page.render(text=text)
        assert html.count(str(escape(hostile))) == 2 * str(text).count(hostile)
        assert "<b>" not in html


def test_no_page_in_german_says_an_english_figure_or_date(tmp_path: Path) -> None:
    for name, html in rendered(language("de"), tmp_path):
        text = re.sub(r"<(script|style|code|textarea)\b.*?</\1>|<[^>]*>", " ", html, flags=re.DOTALL)
        assert ENGLISH_FIGURES.findall(text) == [], name
        assert '<html lang="de">' in html

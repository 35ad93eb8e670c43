"""Languages: who is answered in which, figures and days by their custom, and texts that say all of their parts."""

import ast
import pickle
from datetime import date
from pathlib import Path

import pytest

from daemon.documents.verdict_text import headline as headline_of
from daemon.documents.verdict_text import sections
from daemon.planning.statement import against_sentence, basis, headline, past_sentence
from daemon.web.languages.language import CODES, ENGLISH, language, preferred
from rules.model.formatting import clock, duration, energy, money, percent, watts
from rules.model.wording import Day, Fitting, Number, Sentence, Text, joined, listed, say, say_many, with_and
from tests.support.marked import unmarked
from tests.unit.daemon.documents.test_verdict_text import document as judged
from tests.unit.daemon.documents.test_verdict_text import life
from tests.unit.daemon.planning.test_statement import RUN, document

GERMAN = language("de")


@pytest.mark.parametrize(
    ("header", "code"),
    [
        ("", ENGLISH),
        ("de", "de"),
        ("de-CH, en;q=0.5", "de"),
        ("en-GB, de;q=0.9", ENGLISH),
        ("en;q=0.5, de;q=0.9", "de"),
        ("fr, de;q=0.3, en;q=0.2", "de"),
        ("fr", ENGLISH),
        ("de;q=0, en", ENGLISH),
        ("de;q=nonsense", ENGLISH),
        ("*", ENGLISH),
        ("DE", "de"),
        (", ,;q=1,de", "de"),
    ],
)
def test_the_language_that_a_browser_would_rather_have(header: str, code: str) -> None:
    assert preferred(header) == code


def test_every_language_can_be_read_and_no_other() -> None:
    assert [language(code).code for code in CODES] == list(CODES)
    with pytest.raises(KeyError):
        language("xx")


@pytest.mark.parametrize(
    ("text", "said"),
    [
        (watts(1240.4), "1.240 W"),
        (Number("1,240.5 W"), "1.240,5 W"),
        (Number("−1,234,567.25"), "−1.234.567,25"),
        (percent(94.96), "94,9 %"),
        (Number("35%"), "35\u00a0%"),
        (energy(15_734), "15,7 kWh"),
        (money(0.055, "EUR"), "0,0550 EUR je kWh"),
        (Day("9 Jun", date(2026, 6, 9), "MMMd"), "9. Juni"),
        (Day("Tue 9 Jun", date(2026, 6, 9), "MMMEd"), "Di., 9. Juni"),
        (Day("9 February 2026", date(2026, 2, 9), "long"), "9. Februar 2026"),
        (Day("Monday 9 February 2026", date(2026, 2, 9), "full"), "Montag, 9. Februar 2026"),
        (Day("February", date(2026, 2, 9), "LLLL"), "Februar"),
        (duration(180_000), "2 Tage 2 h"),
        (duration(86_400), "1 Tag"),
        (clock(1_781_006_400.0, "Europe/Dublin", 1_781_006_400.0 + 86_400), "gestern 13:00"),
        (Sentence(say("tank {level}", level=percent(96.0))), "Speicher 96 %."),
        ("tank", "tank"),
    ],
)
def test_figures_days_and_names_in_german(text: str, said: str) -> None:
    assert GERMAN.text(text) == said


def _forms() -> set[str]:
    """How days are written anywhere in the program."""
    found = set()
    for folder in ("rules", "accounting", "daemon"):
        for path in (Path(__file__).parents[5] / folder).rglob("*.py"):
            text = path.read_text(encoding="utf-8")
            for call in ast.walk(ast.parse(text)) if "Day(" in text else ():
                if isinstance(call, ast.Call) and isinstance(call.func, ast.Name) and call.func.id == "Day":
                    found |= {one.value for one in call.args[2:] if isinstance(one, ast.Constant)}
    return found


@pytest.mark.parametrize("code", CODES)
def test_every_language_writes_a_day_in_every_form_that_is_used(code: str) -> None:
    forms = _forms()
    assert {"MMMd", "yMMMM", "full"} <= forms
    for form in forms:
        assert language(code).text(Day("in English", date(2026, 2, 9), form))


def test_which_text_fits_goes_by_the_language() -> None:
    words = (say("sun to the tank"), say("sun"))
    assert language(ENGLISH).text(Fitting(words, 15)) == "sun to the tank"
    assert [GERMAN.text(Fitting(words, room)) for room in (21, 15, 4)] == ["Sonne in den Speicher", "Sonne", ""]
    assert GERMAN.text(pickle.loads(pickle.dumps(Fitting(words, 15)))) == "Sonne"


def test_english_stays_as_it_is_written() -> None:
    english = language(ENGLISH)
    for text in (watts(1240.4), Number("35%"), Day("9 Jun", date(2026, 6, 9), "MMMd"), duration(180_000), "tank"):
        assert english.text(text) == str(text)


def test_a_text_keeps_its_parts_when_it_is_passed_on() -> None:
    for text in (
        say("resumes below {level}", level=percent(88.0)),
        say_many("{n} day", "{n} days", 3),
        joined((watts(5.0), say("full"))),
        Day("9 Jun", date(2026, 6, 9), "MMMd"),
        Number("5 W"),
        Sentence(say("resumes in {left}", left=duration(60.0))),
    ):
        back = pickle.loads(pickle.dumps(text))
        assert type(back) is type(text)
        assert back == text
        assert GERMAN.text(back) == GERMAN.text(text)


def test_lists_in_english_are_as_people_write_them() -> None:
    assert listed(["a"]) == "a"
    assert listed(["a", "b", "c"]) == "a, b and c"
    assert with_and(["a", "b", "c"]) == "a and b and c"
    assert joined(["a", "", "b"], "; ") == "a; b"
    assert GERMAN.text(listed(["a", "b"])) == "a und b"


def test_braces_in_a_value_are_just_braces() -> None:
    assert Text("{payload}", {"payload": "{on}"}) == "{on}"
    assert GERMAN.text(say("resumes below {level}", level="{x}")) == "geht weiter unter {x}"


@pytest.mark.parametrize("never", [0.0, 0.4, 0.95])
@pytest.mark.parametrize("p50", [None, 9.0])
def test_a_verdict_says_nothing_in_english_to_a_reader_of_another_language(never: float, p50: float | None) -> None:
    verdict = judged(life=life(never, p50, None))
    said = [headline_of(verdict), *(text for heading, texts in sections(verdict) for text in (heading, *texts))]
    for text in said:
        assert not unmarked(text, "AIRR", "IRR", "SIR"), text


@pytest.mark.parametrize("runs", [(), (RUN,), (RUN, RUN)])
@pytest.mark.parametrize("given_wh", [0, 12_800])
@pytest.mark.parametrize("boiler_price", [None, 0.2])
def test_a_plan_says_nothing_in_english_to_a_reader_of_another_language(
    runs: tuple[dict[str, object], ...], given_wh: int, boiler_price: float | None
) -> None:
    past = {"nights": 3, "mean_regret": 0.12, "mean_short_wh": 200, "mean_draw_error_wh": 900}
    plan = document(given_wh, runs, net_cost=0.3) | {"boiler_price": boiler_price, "past": past}
    for sentence in (headline, against_sentence, basis, past_sentence):
        assert not unmarked(sentence(plan)), sentence(plan)

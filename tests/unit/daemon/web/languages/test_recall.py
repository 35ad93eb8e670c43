"""Sentences that were kept in English, as a reader of another language sees them: their parts are found again."""

import pytest

from daemon.web.languages.language import ENGLISH, language
from daemon.web.languages.recall import recaller
from rules.model.wording import Stored, Text

GERMAN = language("de")


@pytest.mark.parametrize(
    ("kept", "said"),
    [
        ("resumes below 88 %", "geht weiter unter 88 %"),
        ("tank 96.5 %, full since 13:10 yesterday", "Speicher 96,5 %, voll seit gestern 13:10"),
        (
            "the whole tank was last hot 3.2 days ago; due by 13:00 on Tue 9 Jun",
            "der ganze Speicher war zuletzt vor 3,2 Tagen heiß; fällig bis Di., 9. Juni, 13:00",
        ),
        (
            "tank_top_c was last heard 2 days 4 h ago, 60 s allowed: how hot the water is there is not known",
            "tank_top_c letzter Messwert 2 Tage 4 h alt, 60 s erlaubt: Wie heiß das Wasser dort ist, ist nicht bekannt",
        ),
        ("due by 13:00 tomorrow", "fällig bis morgen 13:00"),
        ("rules.full: stop_at_pct 95 → 92", "rules.full: stop_at_pct 95 → 92"),
        ("what the owner wrote, with 2 parts", "what the owner wrote, with 2 parts"),
        ("", ""),
    ],
)
def test_a_stored_sentence_is_said_by_the_templates_that_fit_it(kept: str, said: str) -> None:
    assert GERMAN.text(Stored(kept)) == said
    assert language(ENGLISH).text(Stored(kept)) == kept


def test_the_template_that_accounts_for_most_is_taken() -> None:
    recall = recaller([("tank {level}", None), ("tank {level}, full since {since}", None), ("full {x} full", None)])
    found = recall("tank 96 %, full since 13:10")
    assert isinstance(found, Text)
    assert found.template == "tank {level}, full since {since}"
    assert found == "tank 96 %, full since 13:10"


def test_how_many_there_are_decides_between_a_template_and_its_plural() -> None:
    recall = recaller([("{n} row is lost", "{n} rows are lost"), ("{what} reads low", "{what} read low")])
    for text, many in (("1 row is lost", 1), ("1,200 rows are lost", 1200), ("a and b read low", 2)):
        found = recall(text)
        assert isinstance(found, Text)
        assert (str(found), found.many) == (text, many)


def test_a_long_text_costs_no_long_time() -> None:
    for parts in (7, 30, 400):
        hostile = "; ".join(["resumes, maybe: below"] * parts)
        assert GERMAN.text(Stored(hostile)) == hostile

"""The page over HTTP in the reader's language: rooms, errors, forms, login, and the live stream."""

import json
from collections.abc import Iterator
from contextlib import contextmanager
from pathlib import Path

import pytest
from argon2 import PasswordHasher

from daemon.config.load import load
from rules.model.errors import BrimfulError
from tests.support.homes import SMALL, home
from tests.support.served import WITHIN_S, Answer, HTTPConnection, Served

PASSWORD = "four words are enough"
HASH = PasswordHasher(time_cost=1, memory_cost=8, parallelism=1).hash(PASSWORD)
GERMAN = {"Accept-Language": "fr;q=0.9, de-AT, en;q=0.5"}


@pytest.fixture(scope="module")
def page() -> Iterator[Served]:
    with Served(password_hash=HASH) as made:
        yield made


def _lang(answer: Answer) -> str:
    """The language of an answer, by its header and by its document, which say the same."""
    said = answer.headers["Content-Language"]
    assert f'<html lang="{said}">' in answer.text
    assert answer.headers["Vary"] == "Accept-Language"
    return said


@pytest.mark.parametrize(
    ("header", "code"),
    [
        (None, "en"),
        ("de", "de"),
        ("de-CH", "de"),
        ("fr, de;q=0.4, en;q=0.3", "de"),
        ("en-GB, de", "en"),
        ("fr", "en"),
        ("de;q=0", "en"),
        (";;q=,\x01", "en"),
    ],
)
def test_a_reader_is_answered_in_the_language_that_the_browser_prefers(
    page: Served, header: str | None, code: str
) -> None:
    answer = page.http("GET", "/rules", headers={} if header is None else {"Accept-Language": header})
    assert _lang(answer) == code
    assert ("Die Regeln" if code == "de" else "The rules") in answer.text


def test_the_home_file_can_choose_for_all() -> None:
    with Served(home=home(f'{SMALL}\n[api]\nlanguage = "de"\n')) as chosen:
        for wanted in ({}, {"Accept-Language": "en"}):
            assert _lang(chosen.http("GET", "/rules", headers=wanted)) == "de"


def test_figures_and_dates_are_those_of_the_language(page: Served) -> None:
    german, english = (page.http("GET", "/", headers=headers).text for headers in (GERMAN, {}))
    assert "Mittwoch, 10. Juni 2026, 13:00" in german
    assert "Heizstab aus: tank 96 %." in german
    assert "Wednesday 10 June 2026, 13:00" in english
    assert "Heater off: tank 96 %." in english


def test_what_is_refused_is_refused_in_the_language(page: Served) -> None:
    for path, said in (
        ("/timeline/1066-10-14", "day: erwartet wird ein Tag bis heute, eingegeben wurde 1066-10-14; siehe /timeline"),
        ("/timeline/x", "day: erwartet wird ein Datum wie 2026-06-01, eingegeben wurde &#39;x&#39;"),
        ("/value?by=hour", "by: erwartet wird einer der Werte day, week, month, year"),
    ):
        answer = page.http("GET", path, headers=GERMAN)
        assert answer.status in (400, 404)
        assert _lang(answer) == "de"
        assert said in answer.text
    wrong = page.form("/login", {"password": "x", "then": "/"}, Accept_Language="de")
    assert (wrong.status, _lang(wrong)) == (401, "de")
    assert "Das ist nicht das Passwort dieses Hauses." in wrong.text


def test_forms_and_what_they_answer_are_in_the_language(page: Served) -> None:
    cookie = page.form("/login", {"password": PASSWORD, "then": "/"}).cookie
    room = page.http("GET", "/", headers={**GERMAN, "Cookie": cookie}).text
    token = room.partition('name="form_token" value="')[2].partition('"')[0]
    assert '<option value="120" selected>2 Stunden</option>' in room
    late = page.form("/override", {"minutes": "5"}, Accept_Language="de")
    assert "Die Anmeldung ist abgelaufen." in late.text
    refused = page.form("/override", {"form_token": token, "minutes": "0,5"}, cookie, Accept_Language="de")
    assert refused.status == 400
    assert (
        "minutes: erwartet wird eine Zahl von Minuten, eingegeben wurde &#39;0,5&#39;; ein Eingriff endet"
        in refused.text
    )
    page.error = BrimfulError("set an override", "order", "what the loop said", "and what helps")
    refused = page.form("/override", {"form_token": token, "minutes": "5"}, cookie, Accept_Language="de")
    page.error = None
    assert "order: what the loop said; and what helps" in refused.text
    assert _lang(refused) == "de"


def test_the_live_stream_speaks_the_readers_language(page: Served) -> None:
    for headers, state, said in (
        (GERMAN, "1 Störung", "Heizstab aus: tank 96 %."),
        ({}, "1 trouble", "Heater off: tank 96 %."),
    ):
        connection = HTTPConnection("127.0.0.1", page.port, timeout=WITHIN_S)
        connection.request("GET", "/live", headers=headers)
        stream = connection.getresponse()
        line = b""
        while not line.startswith(b"data: "):
            line = stream.readline()
            assert line, "the stream has ended"
        connection.close()
        news = json.loads(line.removeprefix(b"data: "))
        assert news["state"] == state
        assert said in news["html"].replace("\u00a0", " ")


@contextmanager
def _with_a_form(folder: Path) -> Iterator[tuple[Served, str, str]]:
    """A page of a home of one's own, with a login's cookie and a form's token."""
    file = folder / "home.toml"
    file.write_text(SMALL)
    with Served(password_hash=HASH, home=load(file)) as page:
        cookie = page.form("/login", {"password": PASSWORD, "then": "/"}).cookie
        room = page.http("GET", "/rules/full", headers={"Cookie": cookie}).text
        yield page, cookie, room.partition('name="form_token" value="')[2].partition('"')[0]


def test_a_setting_that_does_not_fit_is_refused_in_the_language(tmp_path: Path) -> None:
    with _with_a_form(tmp_path) as (page, cookie, token):
        for value, said in (
            ("4000", "rules.full.stop_at_pct: erwartet: 1–100 %, gefunden: 4000 (home.toml)"),
            ("viel", "rules.full.stop_at_pct: erwartet: eine Zahl 1–100 %, gefunden: &#34;viel&#34; (home.toml)"),
        ):
            entered = {"form_token": token, "stop_at_pct": value}
            refused = page.form("/rules/full/try", entered, cookie, Accept_Language="de")
            assert (refused.status, _lang(refused)) == (400, "de")
            assert said in refused.text
            assert f'value="{value}"' in refused.text


def test_whoever_makes_it_riskier_is_cautioned_in_the_language(tmp_path: Path) -> None:
    with _with_a_form(tmp_path) as (page, cookie, token):
        for path, entered, german, english in (
            ("/rules/full/try", {"stop_at_pct": "99"}, "über den üblichen", "above the usual"),
            ("/rules/limit/try", {"maximum_c": "75"}, "verbrüht in etwa", "burns in about"),
            ("/rules/away/try", {"periods": "2026-08-01/2026-08-15"}, "die Hähne laufen lassen", "let the taps run"),
            ("/override", {"order": "heat", "minutes": "30"}, "kauft aus dem Netz", "buys from the grid"),
        ):
            for code, word, said in (("de", "Vorsicht.", german), ("en", "Caution.", english)):
                shown = page.form(path, {"form_token": token, **entered}, cookie, Accept_Language=code)
                if trial := shown.headers.get("location"):
                    shown = page.http("GET", trial, headers={"Cookie": cookie, "Accept-Language": code})
                cautions = [text.partition("</p>")[0] for text in shown.text.split('<p class="caution">')[1:]]
                assert any(word in caution and said in caution for caution in cautions), (path, code)

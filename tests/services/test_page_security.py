"""The page against who may not: strangers' pages, wrong passwords, forged forms, and connections without end."""

from collections.abc import Iterator
from http.client import HTTPConnection
from pathlib import Path

import pytest
from argon2 import PasswordHasher

from daemon.web.server.accounts import (
    IDLE_S,
    LONGEST_S,
    MOST_SESSIONS,
    MOST_TRIES,
    TRIES_WITHIN_S,
)
from daemon.web.server.security import CONTENT_POLICY
from rules.model.errors import BrimfulError
from tests.support.broker import Mosquitto
from tests.support.daemon_house import House
from tests.support.served import HOME, TOKEN, TOKEN_FILE, WITHIN_S, Answer, Served, picture

pytestmark = pytest.mark.services

PASSWORD = "four words are enough"
HASH = PasswordHasher(time_cost=1, memory_cost=8, parallelism=1).hash(PASSWORD)
"""Cheap: the tests log in a hundred times."""
ORDER = {"order": "surplus", "minutes": "60"}


class Clock:
    """Seconds that go forward by hand."""

    def __init__(self) -> None:
        self.now_s = 1000.0

    def __call__(self) -> float:
        return self.now_s


@pytest.fixture
def clock() -> Clock:
    return Clock()


@pytest.fixture
def page(clock: Clock) -> Iterator[Served]:
    with Served(password_hash=HASH, clock=clock) as served:
        yield served


def log_in(page: Served, password: str = PASSWORD, **headers: str | None) -> Answer:
    return page.form("/login", {"password": password, "then": "/"}, **headers)


def look(page: Served, cookie: str = "") -> str:
    answer = page.http("GET", "/", headers={"Cookie": cookie})
    assert answer.status == 200
    return answer.text


def form_token(page: Served, cookie: str) -> str:
    head, found, rest = look(page, cookie).partition('name="form_token" value="')
    assert found, head
    return rest.partition('"')[0]


def test_who_is_not_logged_in_sees_the_house_and_changes_nothing(page: Served) -> None:
    text = look(page)
    assert page.sentence in text
    assert 'action="/override"' not in text
    answer = page.form("/override", ORDER)
    assert answer.status == 401
    assert page.asked == []


def test_login_change_logout(page: Served) -> None:
    answer = log_in(page)
    assert (answer.status, answer.headers["Location"]) == (303, "/")
    told = answer.headers["Set-Cookie"].lower()
    assert "httponly" in told
    assert "samesite=strict" in told
    assert "secure" not in told
    token = form_token(page, answer.cookie)
    done = page.form("/override", {**ORDER, "form_token": token}, answer.cookie)
    assert (done.status, done.headers["Location"]) == (303, "/")
    assert page.asked == [("override", {"order": "surplus", "for_s": 3600.0, "heater": None})]
    assert page.form("/logout", {"form_token": token}, answer.cookie).status == 303
    assert page.form("/override", {**ORDER, "form_token": token}, answer.cookie).status == 401
    assert len(page.asked) == 1


def test_behind_tls_the_cookie_goes_by_tls_alone(clock: Clock) -> None:
    with Served(password_hash=HASH, clock=clock, names=("heat.example.org",)) as page:
        answer = log_in(page, Host="heat.example.org", Origin="https://heat.example.org")
    assert "secure" in answer.headers["Set-Cookie"].lower()


def test_each_login_has_a_secret_of_its_own_and_ends_the_one_before(page: Served) -> None:
    first = log_in(page).cookie
    second = page.form("/login", {"password": PASSWORD}, first).cookie
    assert first != second
    assert 'action="/override"' not in look(page, first)
    assert form_token(page, second)


def test_two_homes_on_one_machine_have_logins_of_their_own(page: Served, clock: Clock) -> None:
    """RFC 6265, 8.5: cookies do not provide isolation by port. A browser sends the cookies of both homes to each."""
    with Served(password_hash=HASH, clock=clock, token="fedcba9876543210" * 4) as other:
        mine, others = log_in(page).cookie, log_in(other).cookie
        assert mine.partition("=")[0] != others.partition("=")[0]
        both = f"{mine}; {others}"
        assert other.form("/logout", {"form_token": form_token(other, both)}, both).status == 303
        assert 'action="/override"' not in look(other, both)
        assert form_token(page, both)


def test_a_wrong_password_is_refused_in_words(page: Served) -> None:
    answer = log_in(page, "five words are not it")
    assert answer.status == 401
    assert "That is not the house password." in answer.text
    assert answer.headers["Set-Cookie"] is None
    assert "five words" not in answer.text


def test_after_some_wrong_passwords_the_right_one_has_to_wait_too(page: Served, clock: Clock) -> None:
    for _ in range(MOST_TRIES):
        assert log_in(page, "five words are not it").status == 401
    answer = log_in(page)
    assert answer.status == 429
    assert 0 < int(answer.headers["Retry-After"]) <= TRIES_WITHIN_S
    clock.now_s += TRIES_WITHIN_S
    assert log_in(page).status == 303


@pytest.mark.parametrize("passed_s", [IDLE_S + 1, LONGEST_S + 1])
def test_a_login_ends_by_itself(page: Served, clock: Clock, passed_s: float) -> None:
    cookie = log_in(page).cookie
    token = form_token(page, cookie)
    if passed_s > LONGEST_S:  # though it is used all the time
        while clock.now_s < 1000 + LONGEST_S - IDLE_S / 2:
            clock.now_s += IDLE_S / 2
            look(page, cookie)
        clock.now_s = 1000 + passed_s
    else:
        clock.now_s += passed_s
    answer = page.form("/override", {**ORDER, "form_token": token}, cookie)
    assert answer.status == 401
    assert page.asked == []


def test_logins_are_bounded_the_one_longest_unused_goes(page: Served, clock: Clock) -> None:
    cookies = []
    for _ in range(MOST_SESSIONS + 1):
        clock.now_s += 1
        cookies.append(log_in(page).cookie)
    assert 'action="/override"' not in look(page, cookies[0])
    assert form_token(page, cookies[1])


@pytest.mark.parametrize(
    ("token", "headers"),
    [
        ("", {}),
        ("forged", {}),
        ("own", {"Origin": "http://evil.example"}),
        ("own", {"Origin": "null"}),
        ("own", {"Origin": None}),
        ("own", {"Sec_Fetch_Site": "cross-site"}),
        ("own", {"Sec_Fetch_Site": "same-site"}),
        ("own", {"Host": "evil.example"}),
    ],
    ids=repr,
)
def test_a_forged_form_is_refused(page: Served, token: str, headers: dict[str, str | None]) -> None:
    cookie = log_in(page).cookie
    own = form_token(page, cookie)
    for path in ("/override", "/logout"):
        fields = {**ORDER, "form_token": own if token == "own" else token}
        assert page.form(path, fields, cookie, **headers).status == 403
    assert page.asked == []
    assert form_token(page, cookie) == own, "still logged in"


def test_the_token_of_another_login_is_no_token(page: Served) -> None:
    mine, other = log_in(page).cookie, log_in(page).cookie
    answer = page.form("/override", {**ORDER, "form_token": form_token(page, other)}, mine)
    assert answer.status == 403
    assert page.asked == []


def test_a_login_from_a_foreign_page_is_refused(page: Served) -> None:
    for origin in ("http://evil.example", "null", None):
        assert log_in(page, Origin=origin).status == 403


def test_a_wish_by_script_needs_the_forms_token_in_a_header(page: Served) -> None:
    cookie = log_in(page).cookie
    headers = {"Content-Type": "application/json", "Cookie": cookie, "Origin": page.origin}
    assert page.http("POST", "/api/override", '{"clear": true}', headers).status == 403
    headers["X-Form-Token"] = form_token(page, cookie)
    assert page.http("POST", "/api/override", '{"clear": true}', headers).status == 200
    assert page.asked == [("override", {"clear": True})]


def test_read_only_the_page_changes_nothing_and_the_command_line_does(clock: Clock) -> None:
    with Served(password_hash=HASH, clock=clock, read_only=True) as page:
        cookie = log_in(page).cookie
        text = look(page, cookie)
        assert 'action="/override"' not in text
        answer = page.form("/override", ORDER, cookie)
        assert answer.status == 403
        assert "api.read_only" in answer.text
        assert page.asked == []
        assert page.machine("/api/override", '{"clear": true}').status == 200


def test_without_a_password_nobody_can_log_in_and_the_page_says_how_to_set_one() -> None:
    with Served() as page:
        assert "brimful password HOME.toml" in look(page)
        assert log_in(page, "").status == 403


def test_where_others_can_come_looking_needs_a_login_too(clock: Clock) -> None:
    for served in (Served("0.0.0.0", password_hash=HASH, clock=clock), Served(password_hash=HASH, names=("heat.lan",))):
        with served as page:
            for path in ("/", "/live", "/api/why", "/api/health", "/api/rule"):
                answer = page.http("GET", path)
                assert answer.status == (401 if path.startswith("/api/") else 303), path
                assert page.sentence not in answer.text
            assert page.http("GET", "/live").headers["Location"] == "/login?then=%2Flive"
            assert page.asked == []
            for answer in (page.http("GET", "/api/why"), page.http("POST", "/api/rule", "{}")):
                assert "the token beside the ledger" in answer.text
                assert TOKEN_FILE not in answer.text, "a folder may name its owner"
            assert page.http("GET", "/api/why", headers={"Authorization": f"Bearer {TOKEN}"}).status == 200
            assert page.sentence in look(page, log_in(page).cookie)
            page.http("GET", "/", headers={"Authorization": f"Bearer {TOKEN}"})  # now it has a state
            for path in ("/login", "/nothing"):
                text = page.http("GET", path).text
                assert HOME.home.name not in text, "who may not look learns not even the name"
                assert 'id="state"' not in text
            assert "To look, or to change something, enter" in page.http("GET", "/login").text


def test_the_live_stream_ends_with_the_login(clock: Clock) -> None:
    with Served("0.0.0.0", password_hash=HASH, clock=clock) as page:
        cookie = log_in(page).cookie
        connection = HTTPConnection("127.0.0.1", page.port, timeout=WITHIN_S)
        connection.request("GET", "/live", headers={"Cookie": cookie})
        stream = connection.getresponse()
        while not (line := stream.readline()).startswith(b"data: "):
            assert line, "a picture while the login holds"
        page.form("/logout", {"form_token": form_token(page, cookie)}, cookie)
        page.sentence = "Heater off: seen after the login"
        page.latest.put(picture(page.sentence))
        for line in stream:  # to its end
            assert page.sentence.encode() not in line
        connection.close()


def test_an_open_page_keeps_no_login_alive(clock: Clock) -> None:
    with Served("0.0.0.0", password_hash=HASH, clock=clock) as page:
        connection = HTTPConnection("127.0.0.1", page.port, timeout=WITHIN_S)
        connection.request("GET", "/live", headers={"Cookie": log_in(page).cookie})
        stream = connection.getresponse()
        for number in range(5):
            page.sentence = f"Heater off: picture {number}"
            page.latest.put(picture(page.sentence))
            while page.sentence.encode() not in (line := stream.readline()) and line:
                pass
            clock.now_s += IDLE_S / 3
        assert not line, "it was looked at, and never used"
        connection.close()


def test_a_name_that_is_not_its_own_is_refused_wherever_it_listens(clock: Clock) -> None:
    with Served("0.0.0.0", password_hash=HASH, names=("heat.lan",)) as page:
        for host, status in (("heat.lan", 303), ("192.168.7.20:8731", 303), ("evil.example", 403), ("0.0.0.0", 403)):
            assert page.http("GET", "/", headers={"Host": host}).status == status, host


@pytest.mark.parametrize("then", ["//evil.example", "https://evil.example", "/\\evil.example", "evil", "/\r\nX: 1", ""])
def test_after_the_login_nobody_is_sent_elsewhere(page: Served, then: str) -> None:
    answer = page.form("/login", {"password": PASSWORD, "then": then})
    assert (answer.status, answer.headers["Location"]) == (303, "/")


def test_every_answer_tells_browsers_what_it_may_not_do(page: Served) -> None:
    answers = [
        page.http("GET", "/"),
        page.http("GET", "/login"),
        page.http("GET", "/nothing"),
        page.http("DELETE", "/"),
        page.http("GET", "/api/why"),
        page.http("GET", "/api/nothing"),
        page.http("GET", "/", headers={"Host": "evil.example"}),
        page.http("POST", "/api/override", "{}"),
        page.http("POST", "/", b"", {"Content-Length": "x"}),
        page.http("GET", look(page).partition('href="/static')[2].partition('"')[0].join(("/static", ""))),
        log_in(page, "wrong wrong wrong"),
        log_in(page),
    ]
    assert [answer.status for answer in answers] == [200, 200, 404, 405, 200, 404, 403, 401, 400, 200, 401, 303]
    for answer in answers:
        assert answer.headers["Content-Security-Policy"] == CONTENT_POLICY
        assert answer.headers["X-Content-Type-Options"] == "nosniff"
        assert answer.headers["Referrer-Policy"] == "same-origin"
    assert [answer.headers["Cache-Control"] for answer in answers].count("no-store") == len(answers) - 1


def test_what_nobody_foresaw_is_said_with_the_same_headers_and_no_details(caplog: pytest.LogCaptureFixture) -> None:
    with Served() as page:
        page.broken = True
        answer = page.http("GET", "/")
        assert page.http("GET", "/api/why").status == 200
        assert page.latest.readers == 0
    assert answer.status == 500
    assert answer.headers["Content-Security-Policy"] == CONTENT_POLICY
    assert "see the daemon&#39;s log" in answer.text
    assert "Traceback" not in answer.text
    assert "ZeroDivisionError" in caplog.text


def test_no_secret_stands_in_a_page(page: Served) -> None:
    cookie = log_in(page).cookie
    for text in (look(page, cookie), page.http("GET", "/api/why").text, page.http("GET", "/nothing").text):
        assert not {secret for secret in (cookie.partition("=")[2], HASH, TOKEN, PASSWORD) if secret in text}


def test_a_first_start_says_what_is_expected_where_and_what_to_do_next(page: Served) -> None:
    text = look(page)
    assert "Waiting for the first readings" in text
    for topic in ("hut/tank", "hut/meter", "hut/energy"):
        assert f"<code>{topic}</code>" in text
    assert text.count("the heater waits for it") == 2
    assert "brimful listen HOME.toml" in text


def test_an_override_that_buys_is_cautioned_before_it_is_applied(page: Served) -> None:
    cookie = log_in(page).cookie
    fields = {"order": "heat", "minutes": "60", "form_token": form_token(page, cookie)}
    answer = page.form("/override", fields, cookie)
    assert answer.status == 200
    assert "The override `heat` buys" in answer.text
    assert "cut-out hold the limit" in answer.text
    assert not [name for name, _ in page.asked if name == "override"]
    assert page.form("/override", {**fields, "confirmed": "1"}, cookie).status == 303
    assert [asked for asked in page.asked if asked[0] == "override"] == [
        ("override", {"order": "heat", "for_s": 3600.0, "heater": None})
    ]
    # What buys nothing asks nothing.
    assert page.form("/override", {**fields, "order": "surplus"}, cookie).status == 303


@pytest.mark.parametrize(
    ("path", "fields"),
    [
        ("/override", {"order": "heat", "minutes": "nan"}),
        ("/override", {"order": "heat", "minutes": "1e999"}),
        ("/override", {"order": "heat"}),
        ("/set-up/listen", {"seconds": "²"}),
        ("/set-up/listen", {"seconds": "9" * 400}),
        ("/set-up/choose", {"token": "x", "pick-grid_w": "²"}),
        ("/rules/full/try", {"stop_at_pct": "nan"}),
        ("/what-if/try", {"key1": "rules.full.stop_at_pct", "values1": "²,nan"}),
        ("/verdict/history/row", {"row": "²", "from": "²"}),
        ("/timeline/note", {"day": "²", "kind": "²", "text": "\0"}),
        ("/timeline/withdraw", {"note": "\0"}),
    ],
    ids=repr,
)
def test_nonsense_in_a_form_is_refused_in_words(page: Served, path: str, fields: dict[str, str]) -> None:
    cookie = log_in(page).cookie
    page.error = BrimfulError("note", "day", "expected a day")
    answer = page.form(path, {**fields, "form_token": form_token(page, cookie)}, cookie)
    assert answer.status == 400
    assert 'role="alert"' in answer.text


def test_a_form_of_many_heaters_signals_is_taken(page: Served) -> None:
    """Three fields for each of the 24 signals, and for the two that each of ten heaters may have besides."""
    cookie = log_in(page).cookie
    many = {f"pick-{number}": "keep" for number in range(3 * (24 + 2 * 10))}
    fields = {"day": "2026-06-10", "kind": "other", "text": "x", "form_token": form_token(page, cookie), **many}
    assert page.form("/timeline/note", fields, cookie).status == 303


def test_a_form_of_a_former_login_is_shown_again_and_not_lost(page: Served) -> None:
    cookie = log_in(page).cookie
    answer = page.form("/override", {"order": "surplus", "minutes": "90", "form_token": "of another login"}, cookie)
    assert answer.status == 403
    assert "has not been sent yet" in answer.text
    assert 'name="minutes" value="90"' in answer.text
    assert "of another login" not in answer.text
    assert page.asked == []


def test_names_from_outside_are_text_in_the_page(page: Served) -> None:
    page.sentence = 'Heater off: <script>alert("1")</script>'
    assert "<script>alert" not in look(page)
    assert "&lt;script&gt;alert" in look(page)


def test_beyond_this_machine_only_with_a_password(tmp_path: Path) -> None:
    with Mosquitto(tmp_path) as broker:
        house = House(tmp_path, broker)
        text = house.file.read_text()
        house.file.write_text(text.replace("[api]\n", '[api]\nbind = "0.0.0.0"\n'))
        refused = house.asks("run", str(house.file), code=2).stderr
        assert "api.bind: expected a password_file beside an address that others can reach" in refused
        house.file.write_text(text.replace("[api]\n", '[api]\nbind = "0.0.0.0"\npassword_file = "page-password"\n'))
        refused = house.asks("run", str(house.file), code=2).stderr.splitlines()[-1]
        assert refused.endswith(f"make it with: brimful password {house.file}")
        hash_file = tmp_path / "page-password"
        hash_file.touch(0o600)
        hash_file.write_text(HASH[:40])
        refused = house.asks("run", str(house.file), code=2).stderr.splitlines()[-1]
        assert refused.startswith("api.password_file: expected the hash of a password, got one that is cut short")

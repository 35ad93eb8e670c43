"""The local API: who may ask, what is refused before the loop sees it, what the command line makes of the answers."""

import json
import socket
import threading
from collections.abc import Iterator
from pathlib import Path

import pytest
from starlette.responses import Response

from daemon.cli.main import main
from daemon.web.api import client
from daemon.web.api.client import NotRunning, Refused
from daemon.web.server.live_state import Latest
from daemon.web.server.security import CONTENT_POLICY, LONGEST_BODY
from daemon.web.server.serving import Serving
from rules.model.errors import BrimfulError
from tests.support.broker import free_port
from tests.support.served import TOKEN, WITHIN_S, Answer, Served


@pytest.fixture(scope="module")
def listening() -> Iterator[Served]:
    with Served() as made:
        yield made


@pytest.fixture
def daemon(listening: Served) -> Served:
    listening.asked.clear()
    listening.error = None
    return listening


def ask(daemon: Served, method: str, path: str, body: bytes | str | None = None, **headers: str) -> Answer:
    """A question, or a wish of the machine's own user."""
    return daemon.http(method, path, None, headers) if body is None else daemon.machine(path, body, **headers)


@pytest.mark.parametrize(
    ("method", "path", "body", "name"),
    [
        ("GET", "/api/why", None, "why"),
        ("GET", "/api/why?at=now", None, "why"),
        ("GET", "/api/health", None, "health"),
        ("GET", "/api/rule", None, "rules"),
        ("POST", "/api/rule", '{"rule": "full"}', "rule"),
        ("POST", "/api/override", '{"clear": true}', "override"),
    ],
)
def test_each_path_asks_its_question(daemon: Served, method: str, path: str, body: str | None, name: str) -> None:
    answer = ask(daemon, method, path, body)
    assert answer.status == 200
    assert answer.json == {"asked": name, "with": json.loads(body or "{}")}


@pytest.mark.parametrize(
    "headers",
    [
        {"Host": "evil.example"},
        {"Host": "evil.example:8731"},
        {"Host": "127.0.0.1.evil.example"},
        {"Host": "192.168.1.5:8731"},
        {"Host": "0.0.0.0:8731"},
        {"Host": "[::"},
        {"Host": ""},
        {"Origin": "http://evil.example"},
        {"Origin": "http://evil.example:8731"},
        {"Origin": "null"},
        {"Origin": "http://[::"},
    ],
    ids=repr,
)
def test_what_a_foreign_page_could_send_is_refused(daemon: Served, headers: dict[str, str]) -> None:
    for method, path, body in (("GET", "/api/why", None), ("POST", "/api/override", '{"clear": true}')):
        answer = ask(daemon, method, path, body, **headers)
        assert answer.status == 403
        assert "this machine's own address" in answer.json["error"]["text"]
    assert daemon.asked == []


@pytest.mark.parametrize("host", ["localhost", "LOCALHOST:8731", "127.0.0.1", "127.0.0.53:1", "[::1]:8731"])
def test_this_machine_has_several_names(daemon: Served, host: str) -> None:
    assert ask(daemon, "GET", "/api/why", Host=host, Origin=f"http://{host}").status == 200


@pytest.mark.parametrize("kind", ["text/plain", "application/x-www-form-urlencoded", "multipart/form-data", ""])
def test_a_form_is_no_request(daemon: Served, kind: str) -> None:
    """Browsers send these across sites without asking first; JSON they do not."""
    answer = daemon.machine("/api/override", '{"clear": true}', Content_Type=kind)
    assert answer.status == 400
    assert answer.json["error"]["subject"] == "Content-Type"
    assert daemon.asked == []


@pytest.mark.parametrize(
    "body", [b"", b"{", b"null", b"[1]", b"7", b'"clear"', b"\xff\xfe", b"[" * 60_000, b'{"clear": true} {}']
)
def test_a_body_that_is_no_object_is_refused(daemon: Served, body: bytes) -> None:
    answer = daemon.machine("/api/override", body)
    assert answer.status == 400
    assert answer.json["error"]["text"] == "request: expected a JSON object"
    assert daemon.asked == []


@pytest.mark.parametrize("length", [str(LONGEST_BODY + 1), "9" * 15])
def test_a_body_too_long_is_not_read(daemon: Served, length: str) -> None:
    answer = daemon.machine("/api/override", b"", Content_Length=length)
    assert answer.status == 413
    assert answer.json["error"]["cause"].startswith(f"expected a body of at most {LONGEST_BODY} bytes")
    assert daemon.asked == []


def test_a_body_in_parts_is_cut_off_where_it_is_too_long(daemon: Served) -> None:
    parts = b"".join(b"1000\r\n" + b" " * 0x1000 + b"\r\n" for _ in range(LONGEST_BODY // 0x1000 + 1))
    answer = daemon.machine("/api/override", parts + b"0\r\n\r\n", Transfer_Encoding="chunked")
    assert answer.status == 413
    assert daemon.asked == []


@pytest.mark.parametrize("length", ["-1", "many"])
def test_a_body_of_no_length_is_no_http(daemon: Served, length: str) -> None:
    answer = daemon.machine("/api/override", b"", Content_Length=length)
    assert answer.status == 400
    assert answer.headers["Content-Security-Policy"] == CONTENT_POLICY
    assert daemon.asked == []


@pytest.mark.parametrize(
    ("method", "path"),
    [("GET", "/api"), ("GET", "/api/"), ("GET", "/api/why/"), ("GET", "/api/../../etc/passwd"), ("POST", "/api/plans")],
)
def test_other_paths_are_unknown(daemon: Served, method: str, path: str) -> None:
    answer = ask(daemon, method, path, "{}" if method == "POST" else None)
    assert answer.status == 404
    if path.startswith("/api/"):
        assert answer.json["error"]["subject"] == path


@pytest.mark.parametrize(("method", "path"), [("DELETE", "/api/rule"), ("GET", "/api/override"), ("PUT", "/api/why")])
def test_other_methods_are_not_served(daemon: Served, method: str, path: str) -> None:
    answer = daemon.http(method, path)
    assert answer.status == 405
    assert answer.headers["Allow"]
    assert daemon.asked == []


def test_the_daemons_refusal_keeps_its_words(daemon: Served) -> None:
    daemon.error = BrimfulError("set an override", "for_s", "expected an end, got none", "it always ends")
    answer = daemon.machine("/api/override", "{}")
    assert answer.status == 400
    assert answer.json["error"] == {
        "op": "set an override",
        "subject": "for_s",
        "cause": "expected an end, got none",
        "hint": "it always ends",
        "text": "for_s: expected an end, got none; it always ends",
    }


@pytest.mark.parametrize("bind", ["127.0.0.1", "127.0.0.9", "localhost", "::1"])
def test_any_loopback_address_will_do(tmp_path: Path, bind: str) -> None:
    if bind == "::1" and not _has_ipv6():
        pytest.skip("this machine has no IPv6 on loopback")
    with Served(bind) as daemon:
        assert client.ask(home(tmp_path, daemon.port, bind), "GET", "/api/why")["asked"] == "why"


def _has_ipv6() -> bool:
    try:
        socket.create_server(("::1", 0), family=socket.AF_INET6).close()
    except OSError:
        return False
    return True


def test_a_port_that_is_taken_is_said() -> None:
    with socket.create_server(("127.0.0.1", 0)) as other:
        port = other.getsockname()[1]
        with pytest.raises(
            BrimfulError, match=rf"127\.0\.0\.1:{port}: expected a free address.*own, \[api\] port = {port + 1}"
        ):
            Serving("127.0.0.1", port, Response(), Latest(lambda: None))


# The command line's side


def home(folder: Path, port: int, bind: str = "127.0.0.1") -> Path:
    path = folder / "home.toml"
    path.write_text(f'[api]\nbind = "{bind}"\nport = {port}\n')
    client.token_file(folder / client.LEDGER).write_text(f"{TOKEN}\n")
    return path


def test_a_wish_reaches_the_daemon_of_the_home_file(tmp_path: Path, daemon: Served) -> None:
    answer = client.ask(home(tmp_path, daemon.port), "POST", "/api/override", {"order": "heat", "for_s": 60.0})
    assert answer["with"] == {"order": "heat", "for_s": 60.0}


def test_the_daemons_words_are_the_ones_people_see(tmp_path: Path, daemon: Served) -> None:
    daemon.error = BrimfulError("change a rule", "rules.full", "expected a known rule", "look it up")
    with pytest.raises(Refused) as refused:
        client.ask(home(tmp_path, daemon.port), "GET", "/api/rule")
    assert str(refused.value) == "rules.full: expected a known rule; look it up"
    assert refused.value.op == "change a rule"


def test_without_a_daemon_a_question_ends_with_2_and_one_line(
    tmp_path: Path, capsys: pytest.CaptureFixture[str]
) -> None:
    path = home(tmp_path, free_port())
    for command in (["why"], ["override", "surplus", "--for", "1h"], ["override", "clear"]):
        with pytest.raises(SystemExit) as ended:
            main([*command, "--home", str(path)])
        assert ended.value.code == 2
        told = capsys.readouterr()
        assert told.out == ""
        assert told.err.count("\n") == 1
        assert "expected the running daemon, got connection refused; start it with: brimful run" in told.err


@pytest.mark.parametrize(
    "said",
    [b"", b"SSH-2.0-elsewhere\r\n", b"HTTP/1.1 200 OK\r\nContent-Length: 5\r\n\r\nhello"],
    ids=["nothing", "another protocol", "no JSON"],
)
def test_somebody_else_at_the_port_is_no_daemon(tmp_path: Path, said: bytes) -> None:
    with socket.create_server(("127.0.0.1", 0)) as other:

        def answer() -> None:
            link, _ = other.accept()
            with link:
                link.recv(4096)
                link.sendall(said)

        thread = threading.Thread(target=answer)
        thread.start()
        with pytest.raises(NotRunning, match="expected the running daemon"):
            client.ask(home(tmp_path, other.getsockname()[1]), "GET", "/api/why")
        thread.join(WITHIN_S)


@pytest.mark.parametrize(
    ("text", "told"),
    [
        (None, "home.toml: expected a home file, got none there; name another with --home"),
        ("[api\n", "expected TOML, got a mistake: "),
        ("api = 5\n", "api: expected a table, got 5 (home.toml)"),
        ('[api]\nport = "x"\n', "api.port: expected a whole number 1–65535, got 'x' (home.toml)"),
        ("[api]\nport = inf\n", "api.port: expected a whole number 1–65535, got inf (home.toml)"),
        ("[api]\nport = true\n", "api.port: expected a whole number 1–65535, got True (home.toml)"),
        ("[api]\nport = 99999999\n", "api.port: expected a whole number 1–65535, got 99999999 (home.toml)"),
        ('[api]\nbind = "a b\\nc"\n', 'api.bind: expected "localhost" or an IP address of this machine, got \'a b'),
        ("[api]\nbind = 7\n", 'api.bind: expected "localhost" or an IP address of this machine, got 7 (home.toml)'),
    ],
)
def test_a_home_file_that_tells_no_address(tmp_path: Path, text: str | None, told: str) -> None:
    path = tmp_path / "home.toml"
    if text is not None:
        path.write_text(text)
    with pytest.raises(BrimfulError) as refused:
        client.ask(path, "GET", "/api/why")
    assert told in str(refused.value)


def test_the_address_is_the_usual_one_unless_given(tmp_path: Path) -> None:
    path = tmp_path / "home.toml"
    path.write_text("")
    assert client.address(path) == ("127.0.0.1", 8731)


def test_half_a_character_is_answered_in_words(daemon: Served) -> None:
    daemon.error = BrimfulError("change a rule", "rules.\ud800", "expected a known rule")
    answer = daemon.machine("/api/rule", '{"rule": "\\ud800"}')
    assert answer.status == 400
    assert answer.json["error"]["subject"] == "rules.\ud800"


def test_another_homes_daemon_is_refused_by_name(tmp_path: Path, daemon: Served) -> None:
    """House A's daemon has the port that house B's file names too; B has its own token, or has never run."""
    path = home(tmp_path, daemon.port)
    token = client.token_file(tmp_path / client.LEDGER)
    for text in ("f" * 64, None):
        token.unlink() if text is None else token.write_text(text)
        for method, asked, with_it in (("GET", "why", None), ("POST", "override", {"clear": True})):
            with pytest.raises(
                Refused, match=r"expected the daemon of your home file, got that of Wren Hut \(/.*port ="
            ):
                client.ask(path, method, f"/api/{asked}", with_it)
    assert daemon.asked == []
    assert ask(daemon, "GET", "/api/why").headers["brimful-home"] == client.identity(Path("home.toml"), TOKEN)


def test_a_home_is_known_by_its_token_or_its_place(tmp_path: Path) -> None:
    here, there = tmp_path / "home.toml", tmp_path / "mounted.toml"
    assert client.same_home(client.identity(here, "a"), client.identity(there, "a")), "seen from a container"
    assert client.same_home(client.identity(here, ""), client.identity(here, "a")), "the token may not be read"
    assert not client.same_home(client.identity(here, ""), client.identity(there, ""))
    assert not client.same_home(client.identity(here, "a"), client.identity(there, "b"))


def test_without_the_token_a_question_is_answered_and_a_wish_refused(
    tmp_path: Path, daemon: Served, monkeypatch: pytest.MonkeyPatch
) -> None:
    monkeypatch.chdir(tmp_path)  # the daemon's home file is home.toml here
    path = home(tmp_path, daemon.port)
    token = client.token_file(tmp_path / client.LEDGER)
    for text in ("wrong", None):
        if text is None:
            token.unlink()
        else:
            token.write_text(text)
        assert client.ask(path, "GET", "/api/why")["asked"] == "why"
        daemon.asked.clear()
        with pytest.raises(Refused, match=r"expected a login, or the token in .*, got neither"):
            client.ask(path, "POST", "/api/override", {"clear": True})
        assert daemon.asked == []

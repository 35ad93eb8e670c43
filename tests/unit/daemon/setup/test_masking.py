"""What is hidden in a report, and that topics are not."""

from pathlib import Path

import pytest
from hypothesis import given
from hypothesis import strategies as st

from daemon.config.load import load, parse
from daemon.setup.help_report import help_report
from daemon.setup.masking import Mask, hidden, mask_of, mask_of_refused
from tests.support.homes import EXAMPLE, SMALL

_SECRETS = st.text(st.characters(min_codepoint=33, max_codepoint=126), min_size=6, max_size=20)


@given(_SECRETS, st.text(max_size=20), st.text(max_size=20))
def test_a_secret_appears_nowhere(secret: str, before: str, after: str) -> None:
    said = Mask((secret,)).text(f"{before}{secret}{after} and '{secret}' {secret}{secret}")
    assert secret not in said or secret in "<secret>"


@pytest.mark.parametrize(
    ("said", "shown"),
    [
        ("broker broker.tern.example:8883: refused", "broker <host>:8883: refused"),
        ("the broker refuses user brim, brimful goes on", "the broker refuses user <user>, brimful goes on"),
        ("at http://u:p@h.example/x?key=1 now", "at <address> now"),
        ("192.168.1.20 and fe80::1%eth0, 2001:db8::7.", "<IP address> and <IP address>, <IP address>."),
        ("b8:27:eb:01:02:03 wrote to a.b@c.example", "<hardware address> wrote to <mail address>"),
        ("/srv/tern/home.toml at 10:02:03", "<folder>/home.toml at 10:02:03"),
        ("tern/meter, tern/heater/permit", "tern/meter, tern/heater/permit"),
        ("version 1.2.3 at 2026-06-10T10:00:00+01:00", "version 1.2.3 at 2026-06-10T10:00:00+01:00"),
    ],
)
def test_what_is_hidden_and_what_is_kept(said: str, shown: str) -> None:
    mask = Mask(("sesame",), ("broker.tern.example",), ("brim",), ("/srv/tern",), ("tern/meter", "tern/heater/permit"))
    assert mask.text(said) == shown


def test_a_host_that_is_also_a_word_of_a_topic_is_hidden_where_it_is_the_host() -> None:
    mask = Mask(hosts=("tern",), topics=("tern/meter",))
    assert mask.text("broker tern:1883 sends tern/meter") == "broker <host>:1883 sends tern/meter"


def test_a_whole_report_of_the_example_holds_no_secret(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    for variable in ("BRIMFUL_BROKER_PASSWORD", "BRIMFUL_TIMESERIES_TOKEN"):
        monkeypatch.delenv(variable, raising=False)
    file = tmp_path / "home.toml"
    file.write_text(EXAMPLE.read_text())
    (tmp_path / "secrets").mkdir()
    (tmp_path / "secrets" / "broker").touch(0o600)
    (tmp_path / "secrets" / "broker").write_text("open-sesame\n")
    (tmp_path / "tern.sqlite.api-token").write_text("f00dfeed" * 8)
    home = load(file)
    health = {"links": {"main": {"reason": f"wrong password open-sesame for broker.tern.example in {tmp_path}"}}}
    lines = [("broker", False, "broker broker.tern.example:8883: refused"), ("x", True, "f00dfeed" * 8)]
    said = help_report(lines, home, health, mask_of(home), "2026-06-10T10:00:00Z")
    for private in (
        "open-sesame",
        "f00dfeed",
        "tern.example",
        str(tmp_path),
        "2026-08-08",
        "Sandpiper",
        "127.0.0.1:8428",
    ):
        assert private not in said, private
    for kept in (
        'signals.grid_w.topic = "tern/meter"',
        "BAD broker: broker <host>:8883",
        'rules.away.periods = "<2 ab',
    ):
        assert kept in said, kept
    assert 'broker.username = "<user>"' in said


def test_a_file_that_does_not_load_hides_what_its_keys_call_private(tmp_path: Path) -> None:
    file = tmp_path / "home.toml"
    file.write_text(f'{SMALL}\n[broker]\nhost = "tern.example"\npassword = "open-sesame"\n')
    mask = mask_of_refused(file)
    line = ("configuration", False, "broker.password: unknown, got 'open-sesame' for tern.example")
    said = help_report([line], None, None, mask, "now")
    assert "open-sesame" not in said
    assert "tern.example" not in said
    assert "it does not load" in said
    file.write_text("nonsense")
    assert mask_of_refused(file).secrets == ()


def test_every_file_of_secrets_that_a_home_names_is_masked(tmp_path: Path) -> None:
    file = tmp_path / "home.toml"
    alert = '[[alerts]]\nkind = "notify"\nurls_file = "urls"\n'
    file.write_text(f"{SMALL}\n{alert}")
    (tmp_path / "urls").touch(0o600)
    (tmp_path / "urls").write_text("# mine\nxyz-secret-one\n\nxyz-secret-two\n")
    home = load(file)
    lines = [("alert", False, "xyz-secret-one, then xyz-secret-two failed")]
    said = help_report(lines, home, None, mask_of(home), "now")
    assert "xyz-secret" not in said
    assert '"urls_file": "<file>"' in said


def test_every_host_that_a_home_names_is_masked_in_sentences(tmp_path: Path) -> None:
    file = tmp_path / "home.toml"
    more = """
[signals.pv_w]
topic = "reader:roof"
pointer = "/103/W"
[readers.roof]
kind = "sunspec"
host = "roof-box"
[[alerts]]
kind = "webhook"
url = "https://hook.tern-village/x?key=1"
"""
    file.write_text(SMALL + more)
    said = "Modbus unit 1 at roof-box:502: no answer; alerts by webhook at hook.tern-village: no answer"
    shown = mask_of(load(file)).text(said)
    assert shown == "Modbus unit 1 at <host>:502: no answer; alerts by webhook at <host>: no answer"


def test_keys_that_hide_what_they_hold() -> None:
    home = parse(EXAMPLE.read_bytes(), Path("home.toml"))
    shown = hidden(home.model_dump(mode="json", exclude_unset=True, by_alias=True))
    assert shown["broker"]["host"] == "<host>"
    assert shown["broker"]["password_file"] == "<file>"
    assert shown["timeseries"]["url"] == "<address>"
    assert shown["heaters"]["main"]["topic"] == "tern/diverter/permit"
    assert shown["displaces"][0]["source"] == "night electricity"

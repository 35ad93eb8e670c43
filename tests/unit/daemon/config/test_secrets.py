"""Secrets come from files only their owner can read, or from the environment, and are never shown."""

import os
from pathlib import Path

import pytest

from daemon.config.model import Home
from daemon.config.secrets import broker_password, timeseries_secret
from rules.model.errors import BrimfulError
from tests.support.homes import EXAMPLE, SMALL, TWO_HEATERS, home


@pytest.fixture
def tern(tmp_path: Path) -> Home:
    (tmp_path / "secrets").mkdir()
    return home(EXAMPLE.read_text(), tmp_path / "home.toml")


def write(tern: Home, content: bytes, mode: int = 0o600) -> Path:
    path = tern.path_of("secrets/broker")
    path.write_bytes(content)
    path.chmod(mode)
    return path


@pytest.mark.parametrize("content", [b"s3cret", b"s3cret\n", b"s3cret\r\n"])
def test_a_secret_is_read_beside_the_home_file_without_its_line_end(tern: Home, content: bytes) -> None:
    write(tern, content)
    secret = broker_password(tern, {})
    assert secret is not None
    assert secret.get_secret_value() == "s3cret"
    assert "s3cret" not in f"{secret} {secret!r} {tern!r}"


def test_blanks_inside_and_around_belong_to_the_secret(tern: Home) -> None:
    write(tern, b" a b \n")
    secret = broker_password(tern, {})
    assert secret is not None
    assert secret.get_secret_value() == " a b "


@pytest.mark.parametrize("mode", [0o640, 0o604, 0o620, 0o601, 0o660, 0o666])
def test_a_file_that_others_can_reach_is_refused(tern: Home, mode: int) -> None:
    path = write(tern, b"s3cret\n", mode)
    with pytest.raises(BrimfulError) as caught:
        broker_password(tern, {})
    assert str(caught.value) == (
        f"broker.password_file: expected a file that only its owner can read, got {path} with mode {mode:o} "
        f"(home.toml); chmod 600 {path}"
    )


@pytest.mark.parametrize("content", [b"", b"\n", b"two\nlines\n", b"\xff\xfe", b"nul\0", b"x" * 20_000])
def test_what_is_no_line_of_text_is_refused_and_not_repeated(tern: Home, content: bytes) -> None:
    write(tern, content)
    with pytest.raises(BrimfulError, match="expected one line of text in") as caught:
        broker_password(tern, {})
    assert "lines" not in str(caught.value)


def test_a_missing_file_says_what_to_do(tern: Home) -> None:
    with pytest.raises(BrimfulError) as caught:
        broker_password(tern, {})
    assert caught.value.subject == "broker.password_file"
    assert "found none (home.toml)" in caught.value.cause
    assert caught.value.hint.endswith("or set BRIMFUL_BROKER_PASSWORD")


def test_a_folder_is_no_secret(tern: Home) -> None:
    tern.path_of("secrets/broker").mkdir()
    with pytest.raises(BrimfulError, match="expected a readable file"):
        broker_password(tern, {})


def test_the_environment_comes_first(tern: Home) -> None:
    write(tern, b"from the file\n")
    secret = broker_password(tern, {"BRIMFUL_BROKER_PASSWORD": "from outside"})
    assert secret is not None
    assert secret.get_secret_value() == "from outside"


def test_no_user_and_no_database_need_no_secret() -> None:
    environment = {"BRIMFUL_BROKER_PASSWORD": "x", "BRIMFUL_TIMESERIES_TOKEN": "x"}
    assert broker_password(home(SMALL), environment) is None
    assert broker_password(home(TWO_HEATERS), environment) is None
    assert timeseries_secret(home(SMALL), environment) is None


def test_each_kind_of_database_has_its_own_secret() -> None:
    environment = {"BRIMFUL_TIMESERIES_TOKEN": "token", "BRIMFUL_TIMESERIES_PASSWORD": "password"}
    token = timeseries_secret(home(EXAMPLE.read_text()), environment)
    password = timeseries_secret(home(TWO_HEATERS), environment)
    assert token is not None
    assert password is not None
    assert (token.get_secret_value(), password.get_secret_value()) == ("token", "password")
    assert timeseries_secret(home(EXAMPLE.read_text()), {}) is None


def test_a_database_of_samples_has_a_password_where_it_has_a_user() -> None:
    environment = {"BRIMFUL_TIMESERIES_TOKEN": "token", "BRIMFUL_TIMESERIES_PASSWORD": "password"}
    table = '[timeseries]\nkind = "victoriametrics"\nurl = "http://db:8428"\nusername = "hut"\n'
    password = timeseries_secret(home(SMALL + table), environment)
    assert password is not None
    assert password.get_secret_value() == "password"


def test_the_process_environment_is_asked_unless_another_is_given(tern: Home, monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setitem(os.environ, "BRIMFUL_BROKER_PASSWORD", "outside")
    secret = broker_password(tern)
    assert secret is not None
    assert secret.get_secret_value() == "outside"

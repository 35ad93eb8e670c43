"""The page's password: set by command, kept as a hash; and the files of secrets beside the ledger."""

import io
import os
import re
import stat
from pathlib import Path

import pytest

from daemon.cli.main import main
from daemon.config.load import load
from daemon.config.secrets import PAGE_PASSWORD_HASH, kept_secret, page_password_hash
from daemon.web.server.accounts import Accounts, is_hash
from rules.model.errors import BrimfulError
from tests.support.homes import SMALL

PASSWORD = "four words are enough"


def home_file(folder: Path, api: str = 'password_file = "page-password"') -> Path:
    path = folder / "home.toml"
    path.write_text(f"{SMALL}\n[api]\n{api}\n")
    return path


def set_password(home: Path, told: str, monkeypatch: pytest.MonkeyPatch) -> int:
    monkeypatch.setattr("sys.stdin", io.StringIO(told))
    try:
        main(["password", str(home)])
    except SystemExit as ended:
        return int(ended.code or 0)
    return 0


def test_it_is_kept_as_a_hash_that_its_owner_alone_can_read(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch, capsys: pytest.CaptureFixture[str]
) -> None:
    home = home_file(tmp_path)
    assert set_password(home, f"{PASSWORD}\nwhat follows is no part of it\n", monkeypatch) == 0
    file = tmp_path / "page-password"
    assert stat.S_IMODE(file.stat().st_mode) == 0o600
    assert str(file) in capsys.readouterr().out
    text = file.read_text()
    assert is_hash(text.strip())
    assert PASSWORD not in text
    known = page_password_hash(load(home))
    assert known is not None
    assert known.get_secret_value() == text.strip()
    assert set_password(home, f"{PASSWORD}\n", monkeypatch) == 0
    assert file.read_text() != text, "another salt"
    assert [path.name for path in tmp_path.iterdir() if path.name.startswith(".")] == []


@pytest.mark.parametrize(
    ("told", "said"),
    [
        ("", "password: expected 10 to 1000 characters, got 0"),
        ("nine char\n", "password: expected 10 to 1000 characters, got 9"),
        ("x" * 1001 + "\n", "password: expected 10 to 1000 characters, got 1001"),
        ("half a \udc80 character\n", "password: expected text, got bytes that are none in this locale"),
    ],
)
def test_what_is_no_password_is_refused(
    tmp_path: Path, told: str, said: str, monkeypatch: pytest.MonkeyPatch, capsys: pytest.CaptureFixture[str]
) -> None:
    assert set_password(home_file(tmp_path), told, monkeypatch) == 2
    assert capsys.readouterr().err.startswith(said)
    assert not (tmp_path / "page-password").exists()


def test_a_home_that_names_no_file_for_it_is_told_how(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch, capsys: pytest.CaptureFixture[str]
) -> None:
    assert set_password(home_file(tmp_path, "port = 8731"), f"{PASSWORD}\n", monkeypatch) == 2
    assert 'add under [api]: password_file = "page-password"' in capsys.readouterr().err


def test_a_folder_that_is_not_there_is_told(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch, capsys: pytest.CaptureFixture[str]
) -> None:
    home = home_file(tmp_path, 'password_file = "away/page-password"')
    assert set_password(home, f"{PASSWORD}\n", monkeypatch) == 2
    assert "away/page-password: expected a file that can be written, got No such file" in capsys.readouterr().err


def test_the_daemon_says_how_to_mend_what_it_cannot_use(tmp_path: Path) -> None:
    home = load(home_file(tmp_path))
    file = tmp_path / "page-password"
    with pytest.raises(BrimfulError, match=r"api.password_file: expected a file at .*; make it with: brimful password"):
        page_password_hash(home, {})
    file.touch(0o600)
    file.write_text("a plain password\n")
    with pytest.raises(BrimfulError, match=r"expected the hash of a password, .*; make it with: brimful password"):
        page_password_hash(home, {})
    file.chmod(0o640)
    with pytest.raises(BrimfulError, match=re.escape(f"chmod 600 {file}")):
        page_password_hash(home, {})
    known = page_password_hash(home, {PAGE_PASSWORD_HASH: "$argon2id$v=19$m=8,t=1,p=1$c2FsdHNhbHQ$aGFzaA"})
    assert known is not None
    assert page_password_hash(load(home_file(tmp_path, "port = 8731")), {}) is None


def test_a_secret_of_the_machines_own_is_made_once(tmp_path: Path) -> None:
    file = tmp_path / "token"
    made = kept_secret(file, "keep a token")
    assert re.fullmatch("[0-9a-f]{64}", made)
    assert stat.S_IMODE(file.stat().st_mode) == 0o600
    assert kept_secret(file, "keep a token") == made
    assert os.listdir(tmp_path) == ["token"]
    file.chmod(0o604)
    with pytest.raises(BrimfulError, match="expected a file that only its owner can read, got mode 604; chmod 600"):
        kept_secret(file, "keep a token")
    with pytest.raises(BrimfulError, match="expected a file that can be kept, got No such file"):
        kept_secret(tmp_path / "away" / "token", "keep a token")


def test_a_hash_of_another_kind_fits_no_password() -> None:
    assert not is_hash("$argon2id$half")
    assert not is_hash("plain")
    assert not Accounts(None).has_password

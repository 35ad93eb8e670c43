"""A begun home file is written beside the others and over none of them, and holds no password."""

from pathlib import Path

import pytest

from daemon.config.load import ConfigError, parse
from daemon.mqtt.address import BrokerAddress
from daemon.setup.draft import Facts, draft
from daemon.setup.writing import broker_lines, write
from rules.model.errors import BrimfulError

_TEXT = draft(Facts(), [], {})


def test_a_file_that_is_there_stays_unless_asked(tmp_path: Path) -> None:
    into = tmp_path / "new.toml"
    write(_TEXT, into)
    with pytest.raises(BrimfulError, match="--force"):
        write(_TEXT + "# other\n", into)
    assert into.read_text() == _TEXT
    write(_TEXT + "# other\n", into, force=True)
    assert into.read_text().endswith("# other\n")


def test_what_would_not_load_and_where_nothing_can_be_is_refused(tmp_path: Path) -> None:
    with pytest.raises(ConfigError):
        write(_TEXT.replace("rated_w = 3000", "rated_w = 30000"), tmp_path / "new.toml")
    assert not (tmp_path / "new.toml").exists()
    with pytest.raises(BrimfulError, match="No such file"):
        write(_TEXT, tmp_path / "nowhere" / "new.toml")


def test_the_broker_is_named_and_its_password_is_not(tmp_path: Path) -> None:
    into = tmp_path / "new.toml"
    broker = BrokerAddress("broker.tern.example", 8883, "brim", "sesame", True, str(tmp_path / "ca.pem"))
    lines = broker_lines(broker, tmp_path / "secrets" / "broker", into)
    home = parse(draft(Facts(broker=lines), [], {}).encode(), into)
    assert home.broker is not None
    assert (home.broker.ca_file, home.broker.password_file) == ("ca.pem", "secrets/broker")
    assert (home.broker.host, home.broker.tcp_port, home.broker.tls) == ("broker.tern.example", 8883, True)
    assert "sesame" not in "\n".join(lines)
    elsewhere = broker_lines(broker, Path("/srv/secret"), into)
    assert 'password_file = "/srv/secret"' in elsewhere
    assert any("BRIMFUL_BROKER_PASSWORD" in line for line in broker_lines(broker, None, into))

"""deploy/install and deploy/uninstall on a folder that stands for a machine; tests.support.machine: what is real."""

import os
import subprocess
import tomllib
from pathlib import Path

import pytest

from tests.support.machine import Machine


@pytest.fixture(scope="module")
def place(tmp_path_factory: pytest.TempPathFactory) -> Path:
    return tmp_path_factory.mktemp("place")


@pytest.fixture(scope="module")
def machine(place: Path) -> Machine:
    """Installed with a home file, one longer than an argument of a command may be: it goes by no command line, where
    others on the machine could read it."""
    made = Machine(place)
    long = f"# {'prices of the year, ' * 4}\n" * 1700
    assert len(long) > 131_072
    done = made.run(made.checkout("first"), "install", "--home", str(made.write_home(long)))
    assert done.returncode == 0, done.stderr
    assert done.stdout == ""
    assert "a qualified electrician" in done.stderr
    assert "thermostat" in done.stderr
    return made


def test_the_service_is_enabled_and_started(machine: Machine) -> None:
    assert machine.runs
    asked = machine.asked()
    assert asked.index("daemon-reload") < asked.index("enable --quiet brimful") < asked.index("start brimful")
    assert (machine.root / "etc/systemd/system/brimful.service").read_text().count(
        "ExecStart=/opt/brimful/current/"
    ) == 1


def test_the_home_file_is_kept_and_its_ledger_placed(machine: Machine) -> None:
    home = tomllib.loads(machine.home.read_text())
    assert home["ledger"]["path"] == str(machine.ledger)
    assert home["heaters"]["main"]["topic"] == "hut/permit"
    assert machine.home.stat().st_mode & 0o077 == 0, "it may hold what is nobody else's business"


def test_the_installed_command_knows_the_home_file(machine: Machine) -> None:
    command = machine.root / "usr/local/bin/brimful"
    shown = subprocess.run([command, "rule"], capture_output=True, text=True, timeout=60, check=False)
    assert shown.returncode == 0, shown.stderr
    assert "surplus" in shown.stdout
    other = {**os.environ, "BRIMFUL_HOME": "nowhere.toml"}
    refused = subprocess.run([command, "rule"], capture_output=True, text=True, timeout=60, check=False, env=other)
    assert refused.returncode == 2
    assert "nowhere.toml" in refused.stderr


def test_run_again_it_changes_nothing(machine: Machine) -> None:
    before = machine.home.read_bytes()
    inode = (machine.opt / "versions" / machine.version).stat().st_ino
    again = machine.run(machine.folder / "first", "install", "--home", str(machine.write_home("# other\n")))
    assert again.returncode == 0, again.stderr
    assert "stays as it is" in again.stderr
    assert machine.home.read_bytes() == before
    assert (machine.opt / "versions" / machine.version).stat().st_ino == inode


def test_another_version_is_for_upgrade(machine: Machine) -> None:
    version = machine.version
    refused = machine.run(machine.checkout("second", {"daemon/__init__.py": "# later\n"}), "install")
    assert refused.returncode == 2
    assert "deploy/upgrade brings it" in refused.stderr
    assert machine.version == version


def test_a_cut_short_upgrade_is_for_upgrade_too(machine: Machine) -> None:
    mark = machine.opt / "unfinished-upgrade"
    mark.touch()
    refused = machine.run(machine.folder / "first", "install")
    mark.unlink()
    assert (refused.returncode, "an upgrade was cut short" in refused.stderr) == (2, True)


def test_a_bad_home_file_is_not_taken(tmp_path: Path) -> None:
    machine = Machine(tmp_path)
    bad = tmp_path / "bad.toml"
    bad.write_text('[home]\nname = "Wren Hut"\n')
    done = machine.run(machine.checkout("first"), "install", "--home", str(bad))
    assert done.returncode == 2
    assert "home.timezone: expected" in done.stderr
    assert "bad.toml is not in order" in done.stderr
    assert "Traceback" not in done.stderr
    assert not machine.home.exists()
    assert not machine.runs


def test_without_a_home_file_or_a_service_manager_it_says_what_to_do(tmp_path: Path) -> None:
    machine = Machine(tmp_path)
    done = machine.run(machine.checkout("first"), "install", service=False)
    assert done.returncode == 0, done.stderr
    assert "systemd does not run here" in done.stderr
    assert "deploy/install --home HOME.toml" in done.stderr
    assert (machine.etc / "home.example.toml").exists()
    assert machine.asked() == []
    gone = machine.run(tmp_path / "first", "uninstall", service=False)
    assert gone.returncode == 0, gone.stderr
    assert not machine.opt.exists()
    assert machine.etc.exists()


@pytest.mark.parametrize(
    ("script", "arguments"),
    [("install", ["--home"]), ("install", ["--hoem", "x"]), ("upgrade", ["now"]), ("uninstall", ["--all"])],
)
def test_a_wrong_word_is_refused(machine: Machine, script: str, arguments: list[str]) -> None:
    program = machine.folder / "first" / "deploy" / script
    refused = subprocess.run([program, *arguments], capture_output=True, text=True, timeout=30, check=False)
    assert refused.returncode == 2
    assert "expected" in refused.stderr
    shown = subprocess.run([program, "--help"], capture_output=True, text=True, timeout=30, check=False)
    assert f"deploy/{script} --root DIRECTORY" in shown.stdout


def test_upgrade_without_an_installation(tmp_path: Path) -> None:
    machine = Machine(tmp_path)
    refused = machine.run(machine.checkout("first"), "upgrade")
    assert (refused.returncode, "is not installed" in refused.stderr) == (2, True)


def test_uninstalled_the_data_stay_until_they_are_to_go(tmp_path: Path) -> None:
    machine = Machine(tmp_path)
    checkout = machine.checkout("first")
    assert machine.run(checkout, "install", "--home", str(machine.write_home())).returncode == 0
    machine.ledger.write_bytes(b"books")
    gone = machine.run(checkout, "uninstall")
    assert gone.returncode == 0, gone.stderr
    assert "nothing withholds the heater now" in gone.stderr
    assert not machine.runs
    assert not machine.opt.exists()
    assert not (machine.root / "usr/local/bin/brimful").exists()
    assert not (machine.root / "etc/systemd/system/brimful.service").exists()
    assert machine.ledger.read_bytes() == b"books"
    assert machine.home.exists()

    unsure = machine.run(checkout, "uninstall", "--purge")  # nobody answers the question
    assert (unsure.returncode, "nothing was removed" in unsure.stderr) == (2, True)
    assert machine.ledger.exists()
    for _ in range(2):  # and again, with nothing left
        purged = machine.run(checkout, "uninstall", "--purge", "--yes")
        assert purged.returncode == 0, purged.stderr
        assert not machine.etc.exists()
        assert not machine.var.exists()

"""deploy/upgrade on an installation with an older ledger: up, or back to what was, wherever it fails or is killed.

The older program is the present one that knows the first steps of the schema only, with plain commands to verify, back
up and restore; the ledgers are those that each schema's own program wrote.
"""

import sqlite3
from pathlib import Path

import pytest

from accounting.ledger import Ledger
from accounting.ledger.schema import MIGRATIONS
from tests.support.machine import Machine
from tests.support.old_ledger import BOOKED, load

NEWEST = len(MIGRATIONS)
KNOWS_LESS = "\nMIGRATIONS = MIGRATIONS[:{schema}]\n"
SCHEMA = "accounting/ledger/schema.py"
# What an older program says to these three commands; the present one's ask for tables that came since.
PLAIN = """

def _copied(source, target):
    import sqlite3
    here, there = sqlite3.connect(source), sqlite3.connect(target)
    here.backup(there)
    here.close()
    there.close()

@click.command()
@ledger_option
def verify(ledger: Path) -> None:
    import sqlite3
    db = sqlite3.connect(ledger)
    found = [row[0] for row in db.execute("PRAGMA integrity_check")]
    db.close()
    click.echo(found[0])
    sys.exit(0 if found == ["ok"] else 1)

@click.command()
@click.argument("dest")
@ledger_option
def backup(dest: str, ledger: Path) -> None:
    path = Path(dest) / f"{ledger.stem}-{time.time_ns()}.sqlite"
    _copied(ledger, path)
    click.echo(f"{path}\\n40 entries, 0.1 MB; verified against the ledger.")

@click.command()
@click.argument("kept", type=click.Path(path_type=Path))
@ledger_option
def restore(kept: Path, ledger: Path) -> None:
    ledger.rename(f"{ledger}.aside")
    _copied(kept, ledger)
    click.echo("It is now the backup.")
"""
MAIN = "daemon/cli/main.py"
BACKUP = "daemon/cli/backup.py"


def held(path: Path) -> list[str]:
    """The schema and all the books' rows, as text that can be compared."""
    db = sqlite3.connect(f"{path.as_uri()}?mode=ro", uri=True)
    try:
        return [f"schema {db.execute('PRAGMA user_version').fetchone()[0]}", *db.iterdump()]
    finally:
        db.close()


class Installed:
    """A machine with an older version that runs, and its ledger."""

    def __init__(self, folder: Path, schema: int) -> None:
        self.machine = Machine(folder)
        self.old = self.machine.checkout("old", {SCHEMA: KNOWS_LESS.format(schema=schema), BACKUP: PLAIN})
        done = self.machine.run(self.old, "install", "--home", str(self.machine.write_home()))
        assert done.returncode == 0, done.stderr
        self.version = self.machine.version
        load(schema, self.machine.ledger)
        self.before = held(self.machine.ledger)
        self.machine.asked()

    def assert_as_before(self) -> None:
        assert self.machine.version == self.version
        assert held(self.machine.ledger) == self.before
        assert self.machine.runs
        assert not (self.machine.opt / "unfinished-upgrade").exists()


@pytest.mark.parametrize("schema", [1, pytest.param(NEWEST - 1, marks=pytest.mark.long)])
def test_it_comes_up_with_its_ledger(tmp_path: Path, schema: int) -> None:
    installed = Installed(tmp_path, schema)
    machine = installed.machine
    new = machine.checkout("new")
    done = machine.run(new, "upgrade")
    assert done.returncode == 0, done.stderr
    assert f"from schema {schema} to {NEWEST}" in done.stderr
    assert machine.version != installed.version
    with Ledger.open_reader(machine.ledger) as books:
        assert len(books.entries(0, 1e11)) == BOOKED + 1  # and the interval that is under way
        assert books.integrity() == []
    (backup,) = (machine.var / "before-upgrades").iterdir()
    assert held(backup) == installed.before
    assert machine.runs
    asked = [line for line in machine.asked() if line.split()[0] in ("stop", "start")]
    assert asked == ["stop brimful", "start brimful"]
    assert {path.name for path in (machine.opt / "versions").iterdir()} == {installed.version, machine.version}

    again = machine.run(new, "upgrade")
    assert (again.returncode, "is installed already" in again.stderr) == (0, True)
    assert "stop brimful" not in machine.asked()


LONG = pytest.mark.long
BROKEN = {
    # The new version's own looking through finds fault, after the ledger was brought up and the service started.
    "verify": ({BACKUP: PLAIN.replace('== ["ok"]', '== ["perfect"]')}, "the ledger is not sound any more"),
    "migration": (
        {SCHEMA: "\nMIGRATIONS = (*MIGRATIONS, ['CREATE TABLE entry (x INTEGER)'])\n"},
        "could not be brought up",
    ),
}


@pytest.mark.parametrize("fault", ["verify", *(pytest.param(one, marks=LONG) for one in ("migration", "start"))])
def test_where_the_new_version_fails_the_old_one_goes_on_with_its_ledger(tmp_path: Path, fault: str) -> None:
    installed = Installed(tmp_path, 1)
    machine = installed.machine
    changes, said = BROKEN.get(fault, ({}, "the new version's service does not start"))
    new = machine.checkout("new", changes)
    if fault == "start":
        (machine.tools / "fail-starts").touch()  # the next one alone
    done = machine.run(new, "upgrade")
    assert done.returncode == 1, done.stderr
    assert said in done.stderr
    assert "is back, with its ledger" in done.stderr
    assert "Traceback" not in done.stderr
    installed.assert_as_before()


@pytest.mark.parametrize(
    "fault", ["home", *(pytest.param(one, marks=LONG) for one in ("packages", "import", "ledger"))]
)
def test_what_can_be_known_before_changes_nothing(tmp_path: Path, fault: str) -> None:
    """Nothing was stopped for it."""
    installed = Installed(tmp_path, 1)
    machine = installed.machine
    changes, said = {
        "packages": ({}, "could not be installed"),
        "import": ({MAIN: "\nimport nothing_of_that_name\n"}, "does not start there"),
        "home": ({}, "the new version does not accept"),
        "ledger": ({}, "the ledger is not sound"),
    }[fault]
    if fault == "home":
        machine.home.write_text(machine.home.read_text().replace("rated_w = 2000", "rated_w = 2"))
    if fault == "ledger":
        machine.ledger.write_bytes(machine.ledger.read_bytes()[:9000])
        installed.before = []
    registry = {"NO_PACKAGES": "1"} if fault == "packages" else {}
    done = machine.run(machine.checkout("new", changes), "upgrade", **registry)
    assert done.returncode == 2, done.stderr
    assert said in done.stderr
    if fault == "home":
        assert "heaters.main.rated_w" in done.stderr
    assert machine.version == installed.version
    assert machine.runs
    assert "stop brimful" not in machine.asked()
    if fault != "ledger":
        assert held(machine.ledger) == installed.before


def test_killed_after_the_ledger_was_brought_up_the_next_try_goes_back_and_then_up(tmp_path: Path) -> None:
    installed = Installed(tmp_path, 1)
    machine = installed.machine
    # The new version's migration kills the whole upgrade once it is through, as a power cut would.
    kill = "\nimport os, signal\n_migrate = migrate\ndef migrate(ledger):\n    _migrate(ledger)\n"
    kill += "    os.killpg(0, signal.SIGKILL)\n"
    new = machine.checkout("new")
    tool = new / "deploy" / "ledger_tool.py"
    tool.write_text(tool.read_text().replace("\ndef place(", f"{kill}\n\ndef place("))
    done = machine.run(new, "upgrade")
    assert done.returncode == -9
    assert not machine.runs, "its heaters were withheld before"
    assert held(machine.ledger)[0] == f"schema {NEWEST}"
    assert machine.version == installed.version

    again = machine.run(machine.checkout("newer"), "upgrade")
    assert again.returncode == 0, again.stderr
    assert "an upgrade was cut short" in again.stderr
    assert "from schema 1" in again.stderr
    assert machine.version != installed.version
    assert machine.runs
    with Ledger.open_reader(machine.ledger) as books:
        assert len(books.entries(0, 1e11)) == BOOKED + 1  # and the interval that is under way

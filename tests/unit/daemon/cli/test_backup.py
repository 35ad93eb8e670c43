"""backup, restore and verify as people give them."""

import json
import sqlite3
from contextlib import closing
from pathlib import Path
from typing import Any

import pytest

from accounting.ledger import Batch, Ledger, LedgerWriter
from accounting.ledger.sealing_upgrade import seal_all
from daemon.assembly.endpoints import facts
from daemon.cli.main import main
from daemon.config.load import load
from tests.support.homes import SMALL
from tests.support.ledgers import START_S, entry


class Typed:
    """A home with a ledger, and a command line beside it."""

    def __init__(self, folder: Path, capsys: pytest.CaptureFixture[str]) -> None:
        self.file = folder / "home.toml"
        self.file.write_text(SMALL)
        self.path = folder / "brimful.sqlite"
        self._capsys = capsys
        with self.writer() as ledger:
            ledger.commit(Batch(START_S + 90_000, tuple(entry(place) for place in range(50))))

    def writer(self) -> Any:
        return LedgerWriter.open(self.path, facts(load(self.file)))

    def asks(self, *arguments: str, code: int = 0, where: bool = True) -> str:
        """What it says: on stdout, or, if refused, on stderr."""
        ended = 0
        try:
            main([*arguments, *(("--home", str(self.file)) if where else ())])
        except SystemExit as exit:
            ended = int(exit.code or 0)
        said = self._capsys.readouterr()
        assert ended == code, said
        assert "Traceback" not in said.err
        lines = [line for line in said.out.splitlines() if str(self.path.parent) not in line]
        assert "--json" in arguments or all(len(line) <= 80 for line in lines)
        return said.err if code == 2 else said.out


@pytest.fixture
def typed(tmp_path: Path, capsys: pytest.CaptureFixture[str]) -> Typed:
    return Typed(tmp_path, capsys)


def test_backup_goes_into_the_homes_folder_while_the_daemon_writes(typed: Typed) -> None:
    with typed.writer():
        told = json.loads(typed.asks("backup", "--json"))
    assert told["schema"] == "brimful.backup/1"
    assert (told["entries"], told["verified"]) == (50, True)
    saved = Path(told["backup"])
    assert saved.parent == typed.path.with_name("backups")
    assert saved.stat().st_size == told["size_bytes"]
    first, second = typed.asks("backup", str(typed.path.with_name("usb.sqlite"))).splitlines()
    assert first == str(typed.path.with_name("usb.sqlite"))
    assert second == "50 entries, 0.1 MB; verified against the ledger."
    assert typed.path.with_name("usb.sqlite").exists()


def test_backup_needs_no_home_file_for_a_ledger_that_is_named(typed: Typed) -> None:
    typed.file.unlink()
    told = json.loads(typed.asks("backup", "--ledger", str(typed.path), "--json", where=False))
    assert Path(told["backup"]).parent == typed.path.with_name("backups")
    typed.asks("verify", "--ledger", str(typed.path), where=False)
    typed.asks("restore", told["backup"], "--ledger", str(typed.path), where=False)


def test_backup_of_nothing_makes_nothing(typed: Typed) -> None:
    typed.path.unlink()
    assert "there is no such file" in typed.asks("backup", code=2)
    assert not typed.path.with_name("backups").exists()


def test_restore_says_what_the_books_now_have_and_what_is_missing(typed: Typed) -> None:
    saved = json.loads(typed.asks("backup", "--json"))["backup"]
    with typed.writer() as ledger:
        ledger.commit(Batch(START_S + 180_000, (entry(60),)))
        assert "another brimful is writing to it" in typed.asks("restore", saved, code=2)
    told = json.loads(typed.asks("restore", saved, "--json"))
    assert told["schema"] == "brimful.restore/1"
    assert (told["start"], told["end"]) == ("2026-06-01T00:00:00Z", "2026-06-02T01:00:00Z")
    assert (told["missing_from"], told["missing_to"]) == ("2026-06-02T01:00:00Z", "2026-06-03T02:00:00Z")
    said = typed.asks("restore", saved)
    assert "Its books go from 2026-06-01" in said
    assert "energy counter brings the energy since then" in said
    assert "The former file is kept, with what belongs to it: " in said
    with Ledger.open_reader(typed.path) as ledger:
        assert len(ledger.entries(0, 1e11)) == 50


def test_restore_of_what_is_no_backup_is_refused(typed: Typed) -> None:
    assert "there is no such file; nothing was changed" in typed.asks("restore", "nowhere.sqlite", code=2)
    assert "it is no ledger, or its head is damaged" in typed.asks("restore", str(typed.file), code=2)


def test_verify_has_a_line_for_each_check(typed: Typed) -> None:
    lines = typed.asks("verify").splitlines()
    assert [line[:4] for line in lines] == ["ok  "] * len(lines)
    assert "ok   totals      35.000 kWh diverted" in lines
    told = json.loads(typed.asks("verify", "--json"))
    assert told["schema"] == "brimful.verify/1"
    assert told["ok"]
    assert [check["name"] for check in told["checks"]] == [line[5:].split()[0] for line in lines]


def test_verify_fails_where_something_is_wrong(typed: Typed) -> None:
    with sqlite3.connect(typed.path) as db:
        db.execute("INSERT INTO posting VALUES (?, 'main', 1, 2, 'lost', 5, 0, 0)", (START_S,))
    db.close()
    said = typed.asks("verify", code=1)
    assert "BAD  postings" in said
    assert f"interval {START_S} of main, version 1: postings add up to 5 Wh instead of 0" in " ".join(said.split())
    assert not json.loads(typed.asks("verify", "--json", code=1))["ok"]


def test_verify_against_a_noted_digest_proves_what_was_booked_before(typed: Typed) -> None:
    """The digest noted in June is still found when July is booked; not once a figure of June is another, though each
    row's own digest and the chain have been made to fit."""
    noted = json.loads(typed.asks("verify", "--json"))["digest"]
    assert f"1 batches, the last digest is {noted}" in " ".join(typed.asks("verify").split())
    with typed.writer() as ledger:
        ledger.commit(Batch(START_S + 1e6, (entry(600),)))
    assert json.loads(typed.asks("verify", "--json"))["digest"] != noted
    spaced = " ".join(noted[at : at + 4].upper() for at in range(0, 32, 4))
    assert "what was booked up to 2026-06-02" in typed.asks("verify", "--against", spaced)
    told = json.loads(typed.asks("verify", "--against", noted, "--json"))
    assert told["against"] == {"digest": noted, "found": True, "booked_until": "2026-06-02T01:00:00Z"}
    assert "BAD  against" in typed.asks("verify", "--against", "0" * 32, code=1)
    assert "expected 32 hexadecimal digits, got 'abc'" in typed.asks("verify", "--against", "abc", code=2)
    forged(typed.path)
    assert json.loads(typed.asks("verify", "--json"))["ok"]
    told = json.loads(typed.asks("verify", "--against", noted, "--json", code=1))
    assert (told["ok"], told["against"]["found"]) == (False, False)


def forged(path: Path) -> None:
    """Change a figure, and every digest with it, as somebody would who knows how they are made."""
    with closing(sqlite3.connect(path, isolation_level=None)) as db:
        db.execute("DROP TRIGGER entry_keeps_update")
        db.execute("UPDATE entry SET avoided_micro = avoided_micro + 1 WHERE start_s = ?", (START_S,))
        for table in ("entry_keeps", "superseded_keeps", "tank_entry_keeps", "restatement_keeps", "restated_keeps"):
            db.execute(f"DROP TRIGGER IF EXISTS {table}_update")
            name = table.removesuffix("_keeps")
            db.execute(f"CREATE TRIGGER {table}_update BEFORE UPDATE ON {name} BEGIN SELECT RAISE(ABORT, 'no'); END")
        db.execute("DROP TRIGGER link_keeps_delete")
        db.execute("DELETE FROM link")
        db.execute("DELETE FROM state WHERE key LIKE 'chain%'")
        seal_all(db)


def test_a_new_folder_is_made_where_its_name_says_that_it_is_one(typed: Typed) -> None:
    new = typed.path.with_name("stick")
    first = typed.asks("backup", f"{new}/").splitlines()
    assert new.is_dir()
    assert [path.suffix for path in new.iterdir()] == [".sqlite"], first


def test_a_ledger_with_a_row_that_was_changed_gives_no_backup(typed: Typed) -> None:
    """One bit of money: the older backups, which may be sound, are not thinned out for it."""
    with closing(sqlite3.connect(typed.path, isolation_level=None)) as db:
        db.execute("DROP TRIGGER entry_keeps_update")
        db.execute("UPDATE entry SET avoided_micro = avoided_micro + 4194304 WHERE start_s = ?", (START_S,))
    said = typed.asks("backup", code=2)
    assert "it is damaged (entry of 2026-06-01 00:00 UTC of main, version 1: not as it was written" in said
    assert "`brimful verify` names all that is wrong" in said
    assert list(typed.path.with_name("backups").iterdir()) == []


def test_verify_of_a_damaged_file_stops_there(typed: Typed) -> None:
    with typed.path.open("r+b") as file:
        file.seek(3 * 4096)
        file.write(bytes(4096))
    said = typed.asks("verify", code=1)
    assert said.startswith("BAD  file")
    assert "The rest was not looked at. Keep the file as it is, and restore a backup." in said
    assert "versions" not in said
    typed.path.write_bytes(b"\xff" * 100 + typed.path.read_bytes()[100:])
    assert "it is no ledger, or its head is damaged" in typed.asks("verify", code=1)

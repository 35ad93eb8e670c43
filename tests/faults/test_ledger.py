"""The ledger under faults: kill −9, cut logs, full and read-only disks, damaged and foreign files, a second writer."""

import json
import os
import random
import resource
import shutil
import sqlite3
import subprocess
import sys
import tempfile
import time
from collections.abc import Callable
from dataclasses import replace
from pathlib import Path

import pytest

from accounting.ledger import Batch, Facts, Ledger, LedgerError, LedgerWriter
from accounting.ledger.opening import atomic, connect, migrate
from accounting.ledger.schema import MIGRATIONS
from tests.support.ledgers import QUAY, START_S, entry, new_ledger

REPO = Path(__file__).parents[2]


def assert_books_agree(path: Path, server: Path, acknowledged: int) -> int:
    """What must hold after any kill; returns how many intervals are booked."""
    with LedgerWriter.open(path, QUAY) as ledger:
        assert ledger.integrity() == []
        entries = ledger.entries(0, 1e11)
        assert [one.start_s for one in entries] == [entry(place).start_s for place in range(len(entries))]
        assert len(entries) == (ledger.state("next") or 0) >= acknowledged, "what was acknowledged is there"
        assert sum(one.diverted_wh for one in entries) == (ledger.state("counter_wh") or 0)
        assert sum(chunk.rows for chunk in ledger.tape(0, 1e11)) == len(entries)
        assert [one.start_s for one in ledger.open_entries()] == ([entry(len(entries)).start_s] if entries else [])
        waiting = {item.key: item.entry.diverted_wh for item in ledger.outbox_peek(10**6)}
        lines = server.read_text().splitlines() if server.exists() else []
        sent = {(start_s, heater): (version, wh) for start_s, heater, version, wh in map(json.loads, lines)}
        for one in entries:
            versions = [key.version for key in waiting if key.start_s == one.start_s]
            if not versions:
                assert sent[one.start_s, "main"][1] == one.diverted_wh, "struck off, so the server has this version"
        return len(entries)


def kill_at_random(path: Path, server: Path, dice: random.Random) -> int:
    """Run the writer, kill it somewhere, return the number of intervals it acknowledged over all its lives."""
    command = [sys.executable, "-m", "tests.support.ledger_writer", str(path), str(server)]
    with subprocess.Popen(command, cwd=REPO, stdout=subprocess.PIPE, text=True) as process:
        assert process.stdout is not None
        assert process.stdout.readline() == "opening\n"
        last = ""
        for _ in range(dice.choice((0, 0, 1, 3, 20))):
            last = process.stdout.readline()
        time.sleep(dice.uniform(0, 0.004))  # the instant is meant to be random
        process.kill()
        last = (process.stdout.read().splitlines() or [last.strip()])[-1]
    return int(last) + 1 if last else 0


@pytest.mark.parametrize("rounds", [24, pytest.param(300, marks=pytest.mark.long)])
def test_killed_at_any_instant_the_books_agree(tmp_path: Path, rounds: int) -> None:
    dice = random.Random(rounds)
    booked = lives = 0
    for number in range(rounds):
        folder = tmp_path / f"house{number // 12}"  # a new house now and then, to be killed while it is founded
        folder.mkdir(exist_ok=True)
        path, server = folder / "quay.sqlite", folder / "server"
        acknowledged = kill_at_random(path, server, dice)
        if acknowledged:
            with Ledger.open_reader(path) as ledger:  # before a writer has mended anything
                assert len(ledger.entries(0, 1e11)) == ledger.state("next") >= acknowledged
        booked += assert_books_agree(path, server, acknowledged)
        lives += 1
    print(f"\n{lives} kills survived, {booked} intervals checked, 0 lost")
    assert booked > rounds


def test_a_log_cut_anywhere_leaves_whole_batches(tmp_path: Path) -> None:
    """Power goes: of the log, only a first part has reached the disk."""
    with new_ledger(tmp_path) as ledger:
        for place in range(6):
            settled = entry(place)
            ledger.commit(Batch(settled.end_s, (settled,), state={"next": place + 1}))
        main, log = (ledger.path.read_bytes(), (tmp_path / "quay.sqlite-wal").read_bytes())
    dice = random.Random(1)
    seen = set()
    for cut in sorted({0, len(log), *(dice.randrange(len(log)) for _ in range(60))}):
        folder = tmp_path / f"cut{cut}"
        folder.mkdir()
        (folder / "quay.sqlite").write_bytes(main)
        (folder / "quay.sqlite-wal").write_bytes(log[:cut])
        with new_ledger(folder) as ledger:
            count = ledger.state("next") or 0
            assert [one.start_s for one in ledger.entries(0, 1e11)] == [entry(place).start_s for place in range(count)]
            assert ledger.outbox_depth() == count
            assert ledger.integrity() == []
            seen.add(count)
    assert {0, 6} < seen


def small_disk(pages: int) -> Callable[[str], sqlite3.Connection]:
    """Makes connections to a disk that holds so many pages."""

    def making(address: str) -> sqlite3.Connection:
        db = connect(address)
        db.execute(f"PRAGMA max_page_count = {pages}")
        made.append(db)
        return db

    made: list[sqlite3.Connection] = []
    making.made = made  # type: ignore[attr-defined]
    return making


def fifty(first: int) -> Batch:
    return Batch(START_S, tuple(entry(first + step) for step in range(50)), state={"next": first + 50})


def test_on_a_full_disk_nothing_of_a_batch_is_written_and_later_all_of_it(tmp_path: Path) -> None:
    making = small_disk(60)
    with LedgerWriter.open(tmp_path / "a.sqlite", QUAY, making) as ledger:
        done = 0

        def fill() -> None:
            nonlocal done
            while done < 5000:
                ledger.commit(fifty(done))
                done += 50

        with pytest.raises(LedgerError) as caught:
            fill()
        assert str(caught.value) == (
            f"{tmp_path / 'a.sqlite'}: the disk is full; this batch was not written; free some space"
        )
        assert caught.value.may_pass
        assert 0 < done == ledger.state("next") == len(ledger.entries(0, 1e11)) == ledger.outbox_depth()

        making.made[0].execute("PRAGMA max_page_count = 100000")  # type: ignore[attr-defined]
        ledger.commit(fifty(done))
        assert ledger.state("next") == done + 50 == ledger.outbox_depth()
        assert ledger.integrity() == []


def test_when_the_system_refuses_to_lengthen_a_file_the_ledger_stays_whole(tmp_path: Path) -> None:
    """The same at the level of the operating system: no file may grow by more than 60 kB."""
    script = f"""
import resource
from pathlib import Path
from accounting.ledger import Batch, LedgerError
from tests.support.ledgers import START_S, entry, new_ledger
ledger = new_ledger(Path({str(tmp_path)!r}))
ledger.commit(Batch(START_S, (entry(0),), state={{"next": 1}}))
longest = max(path.stat().st_size for path in ledger.path.parent.iterdir())
resource.setrlimit(resource.RLIMIT_FSIZE, (longest + 60_000, resource.RLIM_INFINITY))
place = 1
try:
    while True:
        ledger.commit(Batch(START_S, (entry(place),), state={{"next": place + 1}}))
        place += 1
except LedgerError as error:
    assert error.may_pass, error
    print(place, error.cause)
resource.setrlimit(resource.RLIMIT_FSIZE, (resource.RLIM_INFINITY, resource.RLIM_INFINITY))
ledger.commit(Batch(START_S, (entry(place),), state={{"next": place + 1}}))
assert ledger.integrity() == []
ledger.close()
"""
    soft, _ = resource.getrlimit(resource.RLIMIT_FSIZE)
    assert soft == resource.RLIM_INFINITY
    run = subprocess.run(
        [sys.executable, "-c", script], cwd=REPO, capture_output=True, text=True, timeout=60, check=False
    )
    assert run.returncode == 0, run.stderr
    place = int(run.stdout.split()[0])
    assert place > 1
    with Ledger.open_reader(tmp_path / "quay.sqlite") as ledger:
        assert ledger.state("next") == place + 1 == len(ledger.entries(0, 1e11)) == ledger.outbox_depth()


def as_nobody(script: str, folder: Path) -> subprocess.CompletedProcess[str]:
    """Run a script without the rights of root, who may write everywhere."""
    drop = "import os, sys\nfrom accounting.ledger import *\nfrom tests.support.ledgers import *\n"
    drop += "import encodings.idna, sqlite3\nif os.geteuid() == 0: os.setgid(65534); os.setuid(65534)\n"
    return subprocess.run(
        [sys.executable, "-c", f"{drop}path = {str(folder / 'quay.sqlite')!r}\n{script}"],
        cwd=REPO,
        capture_output=True,
        text=True,
        timeout=60,
        check=False,
    )


@pytest.fixture
def locked_folder(tmp_path: Path):  # type: ignore[no-untyped-def]
    """A ledger at rest, all read-only, and outside pytest's own folder, which only its owner may enter."""
    folder = Path(tempfile.mkdtemp(prefix="quay-"))
    with new_ledger(folder) as ledger:
        ledger.commit(Batch(START_S, (entry(0),)))
    for path in folder.iterdir():
        path.chmod(0o444)
    folder.chmod(0o555)
    yield folder
    folder.chmod(0o755)
    shutil.rmtree(folder)


def test_a_ledger_that_may_not_be_written_is_refused_to_the_writer(locked_folder: Path) -> None:
    script = "try: LedgerWriter.open(path, QUAY)\nexcept LedgerError as error: print(error, error.may_pass)"
    run = as_nobody(script, locked_folder)
    assert "its lock file cannot be made (Permission denied); check the folder's permissions" in run.stdout, run.stderr

    locked_folder.chmod(0o777)
    (locked_folder / "quay.sqlite-writer").chmod(0o666)
    run = as_nobody(script, locked_folder)
    assert "it may not be written (Permission denied); check the file's and its folder's" in run.stdout, run.stderr
    assert run.stdout.endswith("True\n")


def test_a_ledger_at_rest_can_be_read_where_nothing_may_be_written(locked_folder: Path) -> None:
    run = as_nobody("print(Ledger.open_reader(path).last_entry_start())", locked_folder)
    assert run.stdout == f"{START_S}\n", run.stderr


def filled(folder: Path) -> Path:
    with new_ledger(folder) as ledger:
        ledger.commit(Batch(START_S, tuple(entry(place) for place in range(2000))))
    return folder / "quay.sqlite"


def overwrite(path: Path, offset: int, data: bytes) -> None:
    with path.open("r+b") as file:
        file.seek(offset)
        file.write(data)


@pytest.mark.parametrize(
    ("spoil", "words"),
    [
        (lambda path: overwrite(path, 0, b"\xff" * 100), "it is no ledger, or its head is damaged"),
        (lambda path: path.write_text("time,grid_w\n2026-01-01T00:00:00Z,1\n"), "it is no ledger, or its head is"),
        (lambda path: overwrite(path, 20 * 4096, b"\x00" * 4096), "it is damaged"),
        (lambda path: overwrite(path, 30 * 4096 + 7, os.urandom(2000)), "it is damaged"),
        (lambda path: os.truncate(path, 20 * 4096), "it is damaged"),
    ],
    ids=["head", "text", "zeros", "noise", "cut"],
)
def test_a_damaged_ledger_is_refused_and_left_as_it_is(
    tmp_path: Path, spoil: Callable[[Path], object], words: str
) -> None:
    path = filled(tmp_path)
    sound = path.read_bytes()
    spoil(path)
    before = path.read_bytes()
    assert before != sound
    with pytest.raises(LedgerError, match=words) as caught:
        LedgerWriter.open(path, QUAY)
    assert "restore a backup" in caught.value.hint
    assert not caught.value.may_pass
    assert path.read_bytes() == before
    path.write_bytes(sound)
    LedgerWriter.open(path, QUAY).close()


def test_damage_met_while_reading_is_said(tmp_path: Path) -> None:
    path = filled(tmp_path)
    with Ledger.open_reader(path) as ledger:
        overwrite(path, 2 * 4096, b"\x00" * (path.stat().st_size - 2 * 4096))
        with pytest.raises(LedgerError, match=f"{path}: it is damaged; keep it as it is and restore a backup"):
            ledger.entries(0, 1e11)


def test_another_programs_database_is_refused(tmp_path: Path) -> None:
    path = tmp_path / "quay.sqlite"
    db = sqlite3.connect(path)
    db.execute("CREATE TABLE songs (title TEXT)")
    db.close()
    for opening in (lambda: LedgerWriter.open(path, QUAY), lambda: Ledger.open_reader(path)):
        with pytest.raises(LedgerError, match="it is a database, but no ledger; name another file"):
            opening()


def test_a_newer_ledger_is_refused(tmp_path: Path) -> None:
    path = filled(tmp_path)
    db = sqlite3.connect(path)
    db.execute(f"PRAGMA user_version = {len(MIGRATIONS) + 1}")
    db.close()
    words = f"it has schema {len(MIGRATIONS) + 1}, this program knows up to {len(MIGRATIONS)}; a newer brimful wrote it"
    for opening in (lambda: LedgerWriter.open(path, QUAY), lambda: Ledger.open_reader(path)):
        with pytest.raises(LedgerError, match=words):
            opening()


def test_a_reader_needs_a_file_and_something_in_it(tmp_path: Path) -> None:
    with pytest.raises(LedgerError, match="there is no such file"):
        Ledger.open_reader(tmp_path / "quay.sqlite")
    assert list(tmp_path.iterdir()) == [], "asking makes nothing"
    (tmp_path / "quay.sqlite").touch()
    with pytest.raises(LedgerError, match="it has schema 0"):
        Ledger.open_reader(tmp_path / "quay.sqlite")
    new_ledger(tmp_path).close()
    assert Ledger.open_reader(tmp_path / "quay.sqlite").close() is None


def test_a_writer_needs_a_folder_and_a_file(tmp_path: Path) -> None:
    with pytest.raises(LedgerError, match="its folder does not exist; make the folder, or mount the disk"):
        LedgerWriter.open(tmp_path / "not" / "quay.sqlite", QUAY)
    assert list(tmp_path.iterdir()) == []
    (tmp_path / "quay.sqlite").mkdir()
    with pytest.raises(LedgerError, match=r"it may not be written \(Is a directory\)"):
        LedgerWriter.open(tmp_path / "quay.sqlite", QUAY)


def test_a_step_of_the_schema_that_fails_leaves_the_ledger_as_it_was(tmp_path: Path) -> None:
    filled(tmp_path)
    db = connect(f"file:{tmp_path / 'quay.sqlite'}")
    steps = [
        *MIGRATIONS,
        ("ALTER TABLE tape ADD COLUMN note TEXT",),
        ("CREATE TABLE more (x)", "CREATE TABLE tape (x)"),
    ]
    with pytest.raises(sqlite3.OperationalError, match="already exists"):
        migrate(db, steps)
    assert db.execute("PRAGMA user_version").fetchone() == (len(MIGRATIONS) + 1,), "the step before it stands"
    assert db.execute("SELECT count(*) FROM sqlite_master WHERE name = 'more'").fetchone() == (0,)
    migrate(db, [*steps[:-1], ("CREATE TABLE more (x)",)])
    assert db.execute("PRAGMA user_version").fetchone() == (len(MIGRATIONS) + 2,)
    assert db.execute("SELECT count(*) FROM entry").fetchone() == (2000,)
    db.close()


def test_there_is_one_writer(tmp_path: Path) -> None:
    words = "another brimful is writing to it; only one daemon may own a ledger"
    with new_ledger(tmp_path), pytest.raises(LedgerError, match=words):
        new_ledger(tmp_path)
    command = [sys.executable, "-m", "tests.support.ledger_writer", str(tmp_path / "quay.sqlite"), os.devnull]
    with subprocess.Popen(command, cwd=REPO, stdout=subprocess.PIPE, text=True) as process:
        assert process.stdout is not None
        assert process.stdout.readline() == "opening\n"
        assert process.stdout.readline() == "0\n"
        try:
            with pytest.raises(LedgerError, match=words):
                new_ledger(tmp_path)
        finally:
            process.kill()
    new_ledger(tmp_path).close()


def test_a_refused_writer_does_not_keep_the_others_out(tmp_path: Path) -> None:
    new_ledger(tmp_path).close()
    with pytest.raises(LedgerError):
        new_ledger(tmp_path, replace(QUAY, currency="SEK"))
    new_ledger(tmp_path).close()


@pytest.mark.parametrize(
    ("facts", "words"),
    [
        (replace(QUAY, currency="GBP"), "it is kept with currency = EUR, the home file has GBP"),
        (replace(QUAY, interval_minutes=15), "it is kept with interval_minutes = 30, the home file has 15"),
    ],
)
def test_a_ledger_of_another_home_is_refused(tmp_path: Path, facts: Facts, words: str) -> None:
    new_ledger(tmp_path).close()
    with pytest.raises(LedgerError, match=words):
        new_ledger(tmp_path, facts)
    with Ledger.open_reader(tmp_path / "quay.sqlite") as ledger:
        assert ledger.facts() == QUAY


def test_a_foreign_program_that_holds_the_file_is_waited_for_and_then_named(tmp_path: Path) -> None:
    with new_ledger(tmp_path) as ledger:
        db = connect(f"file:{ledger.path}")
        with atomic(db), pytest.raises(LedgerError, match="another program is writing to it") as caught:
            ledger.commit(Batch(START_S, (entry(0),)))
        assert caught.value.may_pass
        db.close()
        ledger.commit(Batch(START_S, (entry(0),)))
        assert ledger.outbox_depth() == 1

"""What a normal day of the demo house writes to the disk: by the system's count, and page by page of the ledger.

The whole daemon lives the day on a stepped clock: readings every 10 s over a real broker, a real ledger on a real disk,
settled intervals on their way to a real time-series server. Nothing else writes in its process.
"""

import os
import sqlite3
import struct
import tempfile
from collections import Counter
from datetime import datetime
from importlib.resources import files
from pathlib import Path
from zoneinfo import ZoneInfo

from measure import Row, show

from daemon.assembly.prepared_home import prepare
from daemon.config.load import load
from daemon.demo.runner import STEP_S, DemoRun
from daemon.mqtt.embedded_broker import EmbeddedBroker
from tests.support.broker import free_port
from tests.support.servers import influxdb1

DAY_S = 86_400
SEED = 2
FIRST_DAY = datetime(2026, 6, 10)
MB = 1e6
IN_MEMORY = {"tmpfs", "ramfs"}
KINDS = {
    "state": "working state",
    "open_interval": "interval in progress",
    "tape": "recorded minutes",
    "decision": "decisions",
    "event": "events",
    "entry": "settled intervals",
    "posting": "settled intervals",
    "heater": "settled intervals",
    "outbox": "outbox",
}


def file_system(folder: Path) -> str:
    """The kind of file system the folder is on."""
    mounts = [line.split()[1:3] for line in Path("/proc/self/mounts").read_text(encoding="utf-8").splitlines()]
    above = {str(folder), *map(str, folder.parents)}
    return max((len(place), kind) for place, kind in mounts if place in above)[1]


def written_bytes() -> int:
    """What this process has caused to be written to disks, less what was taken back before it got there (proc(5))."""
    told = dict(line.split(": ") for line in Path("/proc/self/io").read_text(encoding="ascii").splitlines())
    return int(told["write_bytes"]) - int(told["cancelled_write_bytes"])


class Log:
    """SQLite's write-ahead log, looked at from outside: which pages each look finds newly written.

    Layouts: sqlite.org/fileformat2.html section 4 (frames), sqlite.org/walformat.html section 2.1 (the index's head).
    """

    HEAD, FRAME_HEAD = 32, 24

    def __init__(self, ledger: Path) -> None:
        self.pages: Counter[int] = Counter()
        self.commits = 0
        self.page_bytes = 4096
        self._log = ledger.with_name(ledger.name + "-wal")
        self._index = ledger.with_name(ledger.name + "-shm")
        self._salt = b""
        self._seen = 0

    def look(self) -> None:
        index = self._index.read_bytes()[:48]
        (count,) = struct.unpack_from("=I", index, 16)
        salt = index[32:40]
        if salt != self._salt:
            self._salt, self._seen = salt, 0
        if count == self._seen:
            return
        with self._log.open("rb") as log:
            (self.page_bytes,) = struct.unpack(">I", log.read(12)[8:])
            for frame in range(self._seen, count):
                log.seek(self.HEAD + frame * (self.FRAME_HEAD + self.page_bytes))
                page, last = struct.unpack(">II", log.read(8))
                self.pages[page] += 1
                self.commits += last != 0
        self._seen = count

    @property
    def bytes(self) -> int:
        return self.pages.total() * (self.FRAME_HEAD + self.page_bytes)


def by_kind(ledger: Path, log: Log) -> dict[str, int]:
    """Bytes that went into the log, by what the pages hold at the end of the day."""
    db = sqlite3.connect(f"file:{ledger}?mode=ro", uri=True)
    table_of = dict(db.execute("SELECT name, tbl_name FROM sqlite_master"))
    owner = {page: table_of.get(name, name) for name, page in db.execute("SELECT name, pageno FROM dbstat")}
    db.close()
    found: Counter[str] = Counter()
    for page, times in log.pages.items():
        kind = KINDS.get(owner.get(page, ""), "head, free pages and the rest")
        found[kind] += times * (Log.FRAME_HEAD + log.page_bytes)
    return dict(found)


def home_file(folder: Path, server: str, more: str) -> Path:
    text = files("daemon.demo").joinpath("home.toml").read_text(encoding="utf-8")
    series = f'[timeseries]\nkind = "influxdb1"\nurl = "{server}"\ndatabase = "brimful"\n'
    path = folder / "home.toml"
    path.write_text(f"{text}\n[api]\nport = {free_port()}\n{series}{more}", encoding="utf-8")
    return path


def day(folder: Path, more: str) -> list[Row]:
    """Live the day; more: lines added to the demo's home file."""
    with EmbeddedBroker() as broker, influxdb1(folder) as server:
        home = load(home_file(folder, server.url, more))
        ledger = home.path_of(home.ledger.path)
        start_s = FIRST_DAY.replace(tzinfo=ZoneInfo(home.home.timezone)).timestamp()
        story = DemoRun(prepare(home), broker.address, SEED, start_s)
        log = Log(ledger)
        before = written_bytes()
        for step, _ in enumerate(story.steps(DAY_S // int(STEP_S)), 1):
            log.look()
            if step == 1:  # the tables are made once, not daily
                before = written_bytes()
                log.pages.clear()
                log.commits = 0
        total = written_bytes() - before
    kinds = sorted(by_kind(ledger, log).items(), key=lambda kind: -kind[1])
    return [
        Row("written to the disk", total / MB, "MB", aim=5),
        Row("  into the write-ahead log", log.bytes / MB, "MB"),
        *(Row(f"    {name}", size / MB, "MB") for name, size in kinds),
        Row("  from the log into the ledger, and the rest", (total - log.bytes) / MB, "MB"),
        Row("commits", log.commits, ""),
        Row("the ledger's size after the day", ledger.stat().st_size / MB, "MB"),
    ]


def main() -> None:
    with tempfile.TemporaryDirectory(prefix="brimful-bench-", dir=os.environ.get("BRIMFUL_BENCH_FOLDER")) as name:
        kind = file_system(Path(name))
        if kind in IN_MEMORY:
            raise SystemExit(f"{name} is on {kind}, which writes to no disk; name a real one in BRIMFUL_BENCH_FOLDER")
        for title, more in (
            ("a normal day", ""),
            ("the same with books.attribute = false", "[books]\nattribute = false\n"),
        ):
            folder = Path(name, title.replace(" ", "-"))
            folder.mkdir()
            show(f"{title}, on {kind}", day(folder, more))


if __name__ == "__main__":
    main()

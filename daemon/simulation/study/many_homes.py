"""A study of a folder of homes: one row each, over the machine's cores; what fails is a row that says why.

A home is NAME.toml with its readings NAME.csv (or .csv.gz) beside it, or a folder with home.toml and readings.csv. Rows
are written as they are made, one JSON line each, so that a run that was ended goes on where it was: a line counts while
its home file, its readings and the variants are the same.
"""

import hashlib
import json
from collections.abc import Callable, Iterator, Sequence
from concurrent.futures import Executor, ProcessPoolExecutor, as_completed
from contextlib import contextmanager, nullcontext, suppress
from importlib import import_module
from pathlib import Path
from typing import Any, NamedTuple

from daemon.config.load import load
from daemon.documents.study_document import Span, study_answer
from daemon.simulation.study.comparison import Setting, study, worker_context
from daemon.simulation.study.studied_home import OP
from rules.model.errors import BrimfulError

_ANSWERS_S = 30


class Pair(NamedTuple):
    """A home file and its readings. name: what tells it apart in the folder."""

    name: str
    home: Path
    readings: Path


def pairs_in(folder: Path) -> list[Pair]:
    """The homes of a folder, by name. Raises BrimfulError where there is none."""
    found = []
    with suppress(OSError):
        for path in sorted(folder.iterdir()):
            home, stem = (path / "home.toml", path / "readings") if path.is_dir() else (path, path.with_suffix(""))
            if home.suffix == ".toml" and home.is_file():
                plain, packed = Path(f"{stem}.csv"), Path(f"{stem}.csv.gz")
                found.append(Pair(path.stem, home, packed if packed.exists() and not plain.exists() else plain))
    if not found:
        hint = "NAME.toml with NAME.csv beside it, or folders with home.toml and readings.csv"
        raise BrimfulError(OP, f"--homes {folder}", "expected homes, found none", hint)
    return found


def row_of(pair: Pair, settings: Sequence[Setting], people: float) -> dict[str, Any]:
    """One home's row: its study as `study_answer` has it, or the error of a home that cannot be studied."""
    key = _key(pair, settings, people)
    try:
        home = load(pair.home)
        found = study(pair.home, pair.readings, settings, people=people)
        recording = found.recording
        span = Span(recording.from_s, recording.to_s, recording.step_s, recording.left_out_s, found.block)
        answer = study_answer(
            home.home.name, home.home.currency, span, settings, found.figures, found.notes, found.estimate_kwh
        )
    except (BrimfulError, OSError) as refused:
        return {"name": pair.name, "key": key, "error": str(refused)}
    return {"name": pair.name, "key": key, **answer}


def study_homes(
    folder: Path,
    settings: Sequence[Setting],
    *,
    people: float = 2.0,
    workers: int = 1,
    into: Path | None = None,
    progress: Callable[[str, float], None] = lambda what, done: None,
    pool: Executor | None = None,
) -> list[dict[str, Any]]:
    """A row for each home of the folder, by name.

    into: where rows are written as they are made, and taken from; pool: who does the work, in the place of `workers`
    processes here: anything that submits as `concurrent.futures` does. Raises BrimfulError.
    """
    pairs = pairs_in(folder)
    rows = {row["name"]: row for row in _kept(into)}
    missing = [pair for pair in pairs if rows.get(pair.name, {}).get("key") != _key(pair, settings, people)]
    with pool or ProcessPoolExecutor(min(workers, max(len(missing), 1)), worker_context()) as executor:
        waiting = {executor.submit(row_of, pair, settings, people): pair for pair in missing}
        for number, done in enumerate(as_completed(waiting), 1):
            pair = waiting[done]
            try:
                row = done.result()
            except Exception as failed:  # a worker that has died, say: one home does not end the run
                row = {"name": pair.name, "key": "", "error": f"{type(failed).__name__}: {failed}"}
            rows[pair.name] = row
            _write(into, row)
            progress(f"homes ({number} of {len(missing)})", number / len(missing))
    return [rows[pair.name] for pair in pairs]


@contextmanager
def cluster_pool(address: str | None, workers: int) -> Iterator[Executor | None]:
    """Who does the work on a dask cluster: at the address of its scheduler, or `local` for one of so many processes
    here; None without an address. Raises BrimfulError where the extra is not installed or nobody answers."""
    if address is None:
        yield None
        return
    try:
        distributed = import_module("distributed")
    except ImportError as missing:
        hint = "pip install distributed into brimful's environment"
        raise BrimfulError(
            OP, "--cluster", "expected the library distributed, which is not installed", hint
        ) from missing
    try:
        if address == "local":
            cluster = distributed.LocalCluster(
                n_workers=workers, threads_per_worker=1, dashboard_address=None, host="127.0.0.1"
            )
        else:
            cluster = nullcontext(address)
        with cluster as place, distributed.Client(place, timeout=_ANSWERS_S) as client:
            yield client.get_executor()
    except (OSError, ValueError) as unanswered:
        cause = f"expected a scheduler that answers, got {unanswered}"
        raise BrimfulError(OP, f"--cluster {address}", cause) from unanswered


def _key(pair: Pair, settings: Sequence[Setting], people: float) -> str:
    """What a row depends on, as a digest."""
    digest = hashlib.sha256(json.dumps([[dict(each) for each in settings], people]).encode())
    for path in (pair.home, pair.readings):
        with suppress(OSError):
            digest.update(path.read_bytes())
    return digest.hexdigest()[:16]


def _kept(into: Path | None) -> Iterator[dict[str, Any]]:
    if into is None or not into.exists():
        return
    try:
        lines = into.read_text(encoding="utf-8").splitlines()
    except (OSError, UnicodeDecodeError) as broken:
        raise BrimfulError(OP, f"--into {into}", f"expected a file of rows, got {broken}") from broken
    for line in lines:
        with suppress(ValueError):  # the last line of a run that was ended may be cut
            row = json.loads(line)
            if isinstance(row, dict) and isinstance(row.get("name"), str):
                yield row


def _write(into: Path | None, row: dict[str, Any]) -> None:
    if into is None:
        return
    try:
        with into.open("a", encoding="utf-8") as file:
            file.write(json.dumps(row, ensure_ascii=False) + "\n")
    except OSError as refused:
        cause = f"expected a file that can be written, got {refused.strerror}"
        raise BrimfulError(OP, f"--into {into}", cause) from refused

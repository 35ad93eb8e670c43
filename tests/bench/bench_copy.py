"""Ten years of half hours: the whole copy rebuilt without a daemon, and compared with the ledger.

`python tests/bench/bench_copy.py [YEARS]`. Floors: the same lines, made beforehand and posted without a pause; the same
answers, read and parsed as JSON. And how long the loop is held by each request to the running daemon.
"""

import json
import sys
import tempfile
import time
from contextlib import ExitStack
from dataclasses import replace
from pathlib import Path
from statistics import median
from zoneinfo import ZoneInfo

from measure import seconds

from accounting.ledger import Batch, LedgerWriter
from accounting.timeseries import Target, open_reader, open_writer, point
from accounting.timeseries import readers as reading
from accounting.timeseries.reconcile import joined, months, reconcile
from accounting.timeseries.writers import lines
from daemon.cli.resending import drain
from daemon.runtime.handlers.resending import MOST_RESENT
from tests.support.ledgers import HALF_HOUR_S, entry, new_ledger
from tests.support.servers import Server, influxdb1, victoria_metrics

FROM_S = 1_451_606_400  # 2016-01-01 UTC
HOME = "Quay Cottage"


def filled(folder: Path, years: int) -> LedgerWriter:
    ledger = new_ledger(folder)
    starts = range(FROM_S, FROM_S + years * 365 * 86_400, HALF_HOUR_S)
    for first in range(0, len(starts), 2000):
        some = starts[first : first + 2000]
        ledger.commit(
            Batch(some[-1], tuple(replace(entry(0, start_s // 7 % 1400), start_s=start_s) for start_s in some))
        )
    return ledger


def held_ms(ledger: LedgerWriter) -> float:
    """What one wish asks of the loop: the median of twenty."""
    times = []
    for part in range(20):
        first_s = FROM_S + part * MOST_RESENT * HALF_HOUR_S
        keys = tuple(ledger.entry_keys(first_s, first_s + MOST_RESENT * HALF_HOUR_S))
        times.append(seconds(lambda keys=keys: ledger.commit(Batch(FROM_S, again=keys))))  # type: ignore[misc]
    return median(times) * 1000


def measured(server: Server, target: Target, ledger: LedgerWriter) -> None:
    kind = target.kind
    writer = open_writer(target)
    ledger.rebuild_outbox()
    waiting = [item.entry for item in ledger.outbox_peek(10**7)]
    ready = [
        lines([point(one, "floor") for one in waiting[first : first + 500]]) for first in range(0, len(waiting), 500)
    ]

    import urllib3

    path = "/write?db=brimful&precision=s" if kind == "influxdb1" else "/api/v2/write?precision=s"
    with urllib3.PoolManager(retries=False) as pool:
        posted_s = seconds(
            lambda: [pool.request("POST", server.url + path, body="\n".join(some).encode()) for some in ready]
        )
    waits_s = 0.0

    def pause(wait_s: float) -> None:
        nonlocal waits_s
        waits_s += wait_s
        time.sleep(wait_s)

    sent_s = seconds(lambda: drain(ledger, writer, HOME, lambda left: None, pause=pause))
    writer.close()

    reader = open_reader(target)
    reader.settle(time.sleep)
    spans = months(ledger, ZoneInfo("Europe/Dublin"), None, None, 0)
    answers: list[bytes] = []
    ask = reading._Asking.ask

    def keeping(self: reading._Asking, *arguments: object) -> bytes:
        content = ask(self, *arguments)  # type: ignore[arg-type]
        answers.append(content)
        return content

    reading._Asking.ask = keeping  # type: ignore[method-assign, assignment]
    read_s = seconds(lambda: [reader.read(HOME, *span) for span in spans])
    reading._Asking.ask = ask  # type: ignore[method-assign]
    parsed_s = seconds(lambda: [json.loads(line) for content in answers for line in content.splitlines()])
    found = None

    def compare() -> None:
        nonlocal found
        found = joined(ZoneInfo("Europe/Dublin"), spans, reconcile(ledger, reader, HOME, spans, time.sleep))

    compared_s = seconds(compare)
    reader.close()
    assert found is not None
    assert found.equal
    assert not found.to_be_sent
    count = len(waiting)
    print(
        f"{kind}: {count:,} intervals, {len(spans)} months\n"
        f"  rebuilt in {sent_s:.1f} s, of which {waits_s:.1f} s are pauses; bare posts {posted_s:.1f} s: "
        f"{(sent_s - waits_s) / posted_s:.1f} times without the pauses\n"
        f"  compared in {compared_s:.1f} s; read {read_s:.1f} s, of which JSON {parsed_s:.1f} s"
    )


def main(years: int) -> None:
    with ExitStack() as stack:
        folder = Path(stack.enter_context(tempfile.TemporaryDirectory()))
        for name in ("influx", "victoria"):
            (folder / name).mkdir()
        ledger = stack.enter_context(filled(folder, years))
        influx = stack.enter_context(influxdb1(folder / "influx"))
        target = Target("influxdb1", influx.url, database="brimful")
        measured(influx, target, ledger)
        victoria = stack.enter_context(victoria_metrics(folder / "victoria"))
        other = Target("victoriametrics", victoria.url)
        measured(victoria, other, ledger)
        print(f"the loop is held for {held_ms(ledger):.1f} ms while {MOST_RESENT} intervals are queued again")


if __name__ == "__main__":
    main(int(sys.argv[1]) if len(sys.argv) > 1 else 10)

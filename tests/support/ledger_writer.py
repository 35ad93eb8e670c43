"""A process that books intervals until it is killed: `python -m tests.support.ledger_writer LEDGER SERVER`.

Each turn settles one interval, revises the one before, shows the next as open and keeps the counter in the state, all
in one batch. Then it "sends" the outbox: appends lines to the file SERVER, and strikes the rows off. It prints the
number of each interval once it is committed.
"""

import json
import sys
from dataclasses import replace
from pathlib import Path

from accounting.ledger import Batch, LedgerWriter
from accounting.ledger.tape import pack
from tests.support.ledgers import QUAY, entry


def main(path: Path, server: Path) -> None:
    print("opening", flush=True)
    with LedgerWriter.open(path, QUAY) as ledger, server.open("a") as sent:
        place = ledger.state("next") or 0
        counter_wh = ledger.state("counter_wh") or 0
        while True:
            entries = [entry(place, 100)]
            counter_wh += 100
            if place:
                entries.append(replace(entry(place - 1, 101), reason="late reading"))
                counter_wh += 1
            ledger.commit(
                Batch(
                    entries[0].end_s,
                    tuple(entries),
                    (entry(place + 1, 50),),
                    state={"next": place + 1, "counter_wh": counter_wh},
                    tape=pack([(entries[0].end_s, {"grid_w": 1.0})]),
                )
            )
            print(place, flush=True)
            items = ledger.outbox_peek(5)
            for item in items:
                sent.write(json.dumps([*item.key, item.entry.diverted_wh]) + "\n")
            sent.flush()
            ledger.commit(Batch(entries[0].end_s, delivered=tuple(item.key for item in items)))
            place += 1


if __name__ == "__main__":
    main(Path(sys.argv[1]), Path(sys.argv[2]))

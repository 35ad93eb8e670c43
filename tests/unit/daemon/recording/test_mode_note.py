"""The mode is noted where it changes, and what was noted last is found again."""

from pathlib import Path

from accounting.ledger import Batch, EventRow
from accounting.reports.watched import watched_spans
from daemon.recording.mode_note import ModeNotes, mode_at
from daemon.recording.unit_of_work import Keeper
from rules.model.reading import Moment
from tests.support.homes import SMALL, home
from tests.support.ledgers import START_S, new_ledger

WATCH = home(SMALL.replace('currency = "EUR"', 'currency = "EUR"\nmode = "watch"'))
CONTROL = home(SMALL)


class _Kept(Keeper):
    """A keeper of whom only the events are wanted."""

    def __init__(self) -> None:
        self.rows: list[EventRow] = []

    def event(self, kind, name, sentence, now, figures=None) -> None:  # type: ignore[no-untyped-def]
        self.rows.append(EventRow(now.utc_s, name, kind, sentence, figures))


def test_only_changes_are_noted_and_the_last_is_found(tmp_path: Path) -> None:
    keeper = _Kept()
    with new_ledger(tmp_path) as ledger:
        assert mode_at(ledger) == "control"
        notes = ModeNotes(keeper, mode_at(ledger))
        for second, house in enumerate([CONTROL, WATCH, WATCH, CONTROL, CONTROL, WATCH]):
            notes.look(house, Moment(START_S + second, float(second)))
        ledger.commit(Batch(START_S + 10, events=tuple(keeper.rows)))
        assert [row.sentence.partition(":")[0] for row in keeper.rows] == ["watching", "controlling", "watching"]
        assert mode_at(ledger) == "watch"
        assert [mode_at(ledger, START_S + second) for second in (0.5, 1.5, 3.5)] == ["control", "watch", "control"]
        assert watched_spans(keeper.rows, 0, START_S + 10) == [
            (START_S + 1, START_S + 3),
            (START_S + 5, START_S + 10),
        ]
        again = ModeNotes(keeper, mode_at(ledger))
        again.look(WATCH, Moment(START_S + 20, 20.0))
        assert len(keeper.rows) == 3

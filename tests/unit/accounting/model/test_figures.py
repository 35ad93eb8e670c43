"""Figures add up as the ledger adds them up: in one way, whoever asks."""

from dataclasses import fields, replace
from pathlib import Path

from accounting.ledger import Batch
from accounting.model.entry import Entry, Posting
from accounting.model.figures import NAMES, RARE, USUAL, Figures
from accounting.reports.value import ValueRow
from tests.support.ledgers import START_S, entry, new_ledger

FULL = Figures(**{name: number for number, name in enumerate(NAMES, 1)})


def test_every_figure_is_added_and_taken_away() -> None:
    assert (FULL + FULL).by_name() == {name: 2 * number for number, name in enumerate(NAMES, 1)}
    assert FULL + FULL - FULL == FULL
    assert Figures.total([FULL, FULL, FULL]) == FULL + FULL + FULL
    assert Figures.total([]) == Figures()


def test_net_is_what_is_avoided_less_what_is_given_up_and_bought() -> None:
    assert Figures(avoided_micro=100, given_up_micro=30, bought_micro=5).net_micro == 65
    assert Figures(avoided_mg=100, given_up_mg=30, bought_mg=5).net_mg == 65
    assert Figures(avoided_marginal_mg=100, given_up_marginal_mg=30, bought_marginal_mg=5).net_marginal_mg == 65


def test_a_row_keeps_its_span_when_figures_are_added() -> None:
    row = ValueRow(start_s=1, end_s=2, open_wh=3, due_s=4) + FULL
    assert (row.start_s, row.end_s, row.open_wh, row.due_s) == (1, 2, 3, 4)
    assert row.by_name() == FULL.by_name()


def test_the_names_are_those_of_an_entry_and_each_is_of_one_kind() -> None:
    assert set(NAMES) - {field.name for field in fields(Entry)} == {"marginal_wh", "sellable_wh"}
    assert sorted((*USUAL, *RARE["bought"], *RARE["marginal"], *RARE["forgone"])) == sorted(NAMES)


def test_an_entry_counts_as_the_ledger_counts_it(tmp_path: Path) -> None:
    plain = entry(0, 500)
    rare = replace(
        entry(1, 700),
        grid_wh=100,
        battery_wh=50,
        bought_micro=9,
        bought_mg=8,
        given_up_marginal_mg=7,
        avoided_marginal_mg=6,
        bought_marginal_mg=5,
        forgone_wh=40,
        curtailed_wh=30,
        forgone_micro=3,
        forgone_mg=2,
        unheard_wh=1,
        unpriced_wh=10,
        used="1",
        postings=(
            Posting("sun", -510),
            Posting("battery_forgone", -40),
            Posting("grid", -100),
            Posting("battery", -50),
            Posting("tank", 700),
        ),
    )
    one_sided = replace(entry(2, 300), heat_value_micro=None)
    made = [plain, rare, one_sided]
    with new_ledger(tmp_path) as ledger:
        ledger.commit(Batch(START_S + 6 * 3600, entries=tuple(made)))
        (sums,) = ledger.sums([(START_S, START_S + 6 * 3600)])
        assert ledger.entries(0, 2**40) == made
        assert sums == Figures.total(Figures.of(one) for one in made)
    assert Figures.of(one_sided).avoided_micro == 0
    assert Figures.of(one_sided).unpriced_wh == 300
    assert [Figures.of(one).sellable_wh for one in made] == [500, 480, 0]
    assert (Figures.of(plain).marginal_wh, Figures.of(rare).marginal_wh) == (0, 700)

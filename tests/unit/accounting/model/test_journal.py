from dataclasses import replace

import pytest

from accounting.model.entry import Entry, Posting, TankEntry
from accounting.model.journal import balance, faults, postings, tank_faults

ENTRY = Entry(1800, 1800, "main", diverted_wh=250, postings=postings(250))


def test_what_the_sun_gives_the_tank_gets() -> None:
    assert postings(250) == (Posting("sun", -250), Posting("tank", 250))
    assert postings(0) == ()
    balance(ENTRY)
    balance(Entry(1800, 1800, "main"))


def test_an_entry_out_of_balance_is_refused_with_the_figures() -> None:
    bent = replace(ENTRY, postings=(Posting("sun", -250), Posting("tank", 245)))
    with pytest.raises(ValueError, match=r"expected 0 Wh, accumulated -5 Wh \(5 too little\)"):
        balance(bent)


def test_an_entry_whose_sun_is_not_its_energy_is_refused() -> None:
    with pytest.raises(ValueError, match=r"account sun: expected 251 Wh, accumulated 250 Wh"):
        balance(replace(ENTRY, diverted_wh=251))


def test_every_fault_of_an_entry_is_told() -> None:
    taken = (Posting("grid:night", 50, 4_605, 10), Posting("battery", 20, 1_100, 5))
    mixed = replace(ENTRY, grid_wh=50, battery_wh=20, postings=postings(250, 9_900, 7, taken))
    assert faults(mixed) == []
    assert faults(replace(mixed, grid_wh=60)) == [
        "entry 1800 of main, account sun: expected 170 Wh, accumulated 180 Wh (10 too much)",
        "entry 1800 of main, account grid: expected 60 Wh, accumulated 50 Wh (10 too little)",
    ]
    assert faults(replace(mixed, battery_wh=21))[1].startswith("entry 1800 of main, account battery: expected 21 Wh")
    dearer = (*mixed.postings[:-1], replace(mixed.postings[-1], micro=0, mg=0))
    assert faults(replace(mixed, postings=dearer)) == [
        "entry 1800 of main, money of the postings: expected 0 millionths, accumulated -15605 millionths "
        "(15605 too little)",
        "entry 1800 of main, carbon of the postings: expected 0 mg, accumulated -22 mg (22 too little)",
    ]
    more = replace(ENTRY, curtailed_wh=251)
    assert faults(more) == ["entry 1800 of main, what could be sold: expected 0 Wh or more, got -1 Wh"]


def test_every_fault_of_a_tanks_entry_is_told() -> None:
    lines = (Posting("sun", -5), Posting("tank", 1), Posting("drawn", 3), Posting("lost", 1))
    assert tank_faults(TankEntry(0, 1800, 0, 9, postings=lines)) == []
    turned = (Posting("boiler", 5), Posting("tank", 1), Posting("drawn", -7))
    assert tank_faults(TankEntry(0, 1800, 0, 9, postings=turned)) == [
        "tank entry 0, postings: expected 0 Wh, accumulated -1 Wh (1 too little)",
        "tank entry 0, boiler: got 5 Wh, which is the wrong way round",
        "tank entry 0, drawn: got -7 Wh, which is the wrong way round",
    ]

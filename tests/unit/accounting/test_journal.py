from dataclasses import replace

import pytest

from accounting.entry import Entry, Posting
from accounting.journal import balance, postings

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

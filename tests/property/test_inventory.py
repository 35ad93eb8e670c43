"""The heat stock as an inventory: nothing lost, nothing made, average cost."""

from fractions import Fraction

from hypothesis import given
from hypothesis import settings as examples
from hypothesis import strategies as st

from accounting.heat.inventory import SHORT, Inventory, Lot, share_of, total

SOURCES = ("sun", "grid:night", "boiler")
LOTS = st.builds(Lot, st.integers(0, 12_000), st.integers(-500_000, 4_000_000), st.integers(0, 4_000_000))
MOVES = st.lists(st.one_of(st.tuples(st.sampled_from(SOURCES), LOTS), st.integers(0, 9_000)), max_size=60)


@examples(deadline=None, max_examples=100)
@given(MOVES)
def test_what_came_in_is_what_went_out_and_what_is_left(moves: list[tuple[str, Lot] | int]) -> None:
    stock = Inventory()
    came, went, asked_wh = Lot(), Lot(), 0
    for move in moves:
        if isinstance(move, int):
            asked_wh += move
            went += total(stock.withdraw(move).values())
        else:
            came += move[1]
            stock.receive(*move)
        assert stock.wh == came.wh - asked_wh
        assert went.wh == asked_wh
        lots = {source: lot for source, lot in stock.lots.items() if source != SHORT}
        assert not (stock.short_wh and any(lot.wh for lot in lots.values())), "short only while nothing is there"
        left = total(stock.lots.values())
        assert (left.micro, left.mg) == (came.micro - went.micro, came.mg - went.mg)
        assert all(lot.wh >= 0 for lot in lots.values())


@examples(deadline=None, max_examples=100)
@given(st.lists(st.tuples(st.sampled_from(SOURCES), LOTS), min_size=1, max_size=12), st.integers(0, 20_000))
def test_heat_leaves_at_the_average_cost_of_the_stock(received: list[tuple[str, Lot]], wh: int) -> None:
    """Weighted average cost: total cost over the stock (IAS 2); to half a unit, the rounding stated."""
    stock = Inventory()
    for source, lot in received:
        stock.receive(source, lot)
    before = total(stock.lots.values())
    lots = stock.lots
    taken = stock.withdraw(wh)
    if wh >= before.wh:
        short = {SHORT: Lot(wh - before.wh)} if wh > before.wh else {}
        assert taken == (lots | short if wh else {})
        return
    gone = total(taken.values())
    assert gone.wh == wh
    assert abs(gone.micro - Fraction(before.micro * wh, before.wh)) <= Fraction(1, 2)
    assert abs(gone.mg - Fraction(before.mg * wh, before.wh)) <= Fraction(1, 2)
    for source, lot in taken.items():
        assert abs(lot.wh - Fraction(lots[source].wh * wh, before.wh)) < 1


@examples(deadline=None, max_examples=100)
@given(st.lists(st.integers(-(10**9), 10**9), min_size=1, max_size=8), st.integers(1, 10**6), st.integers(0, 10**6))
def test_shares_add_up_to_the_share_of_the_sum(amounts: list[int], part: int, more: int) -> None:
    whole = part + more
    shares = share_of(amounts, part, whole)
    assert abs(sum(shares) - Fraction(sum(amounts) * part, whole)) <= Fraction(1, 2)
    for amount, share in zip(amounts, shares, strict=True):
        assert abs(share - Fraction(amount * part, whole)) < 1


def test_half_of_a_mixed_stock_is_half_of_everything() -> None:
    stock = Inventory({"sun": Lot(3000, 165_000, 765_000), "grid:night": Lot(1000, 92_100, 255_000)})
    assert stock.withdraw(2000) == {"sun": Lot(1500, 82_500, 382_500), "grid:night": Lot(500, 46_050, 127_500)}
    assert stock.withdraw(2001) == {
        "sun": Lot(1500, 82_500, 382_500),
        "grid:night": Lot(500, 46_050, 127_500),
        SHORT: Lot(1),
    }
    assert (stock.wh, stock.short_wh) == (-1, 1)
    stock.receive("sun", Lot(10, 550, 0))
    assert (stock.wh, stock.lots) == (9, {"sun": Lot(9, 550, 0)})

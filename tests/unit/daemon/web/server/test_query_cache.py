"""Answers kept for a while: many who ask cost what one does, and a failure is not kept."""

import asyncio
import threading
from collections.abc import Callable, Coroutine
from typing import Any

import pytest

from daemon.web.server.query_cache import MOST_KEPT, MOST_WAITING, Shelf
from daemon.web.server.refusals import Refusal

WITHIN_S = 30.0


def run(test: Callable[[Shelf], Coroutine[Any, Any, None]]) -> None:
    shelf = Shelf()
    try:
        asyncio.run(asyncio.wait_for(test(shelf), WITHIN_S))
    finally:
        shelf.close()


def counting() -> tuple[list[int], Callable[[], int]]:
    made: list[int] = []

    def make() -> int:
        made.append(len(made))
        return len(made)

    return made, make


def test_who_asks_while_it_is_made_or_soon_after_gets_the_same() -> None:
    made, make = counting()

    async def test(shelf: Shelf) -> None:
        assert await asyncio.gather(*(shelf.ask("a", 60, make) for _ in range(40))) == [1] * 40
        assert await shelf.ask("a", 60, make) == 1
        assert await shelf.ask("b", 60, make) == 2

    run(test)
    assert len(made) == 2


def test_what_is_too_old_or_forgotten_is_made_anew() -> None:
    _, make = counting()

    async def test(shelf: Shelf) -> None:
        assert await shelf.ask("a", 0, make) == 1
        assert await shelf.ask("a", 60, make) == 2
        shelf.forget()
        assert await shelf.ask("a", 60, make) == 3

    run(test)


def test_a_failure_is_told_and_not_kept() -> None:
    async def test(shelf: Shelf) -> None:
        with pytest.raises(ZeroDivisionError):
            await shelf.ask("a", 60, lambda: 1 // 0)
        assert await shelf.ask("a", 60, lambda: 7) == 7

    run(test)


def test_the_last_answer_is_given_at_once_and_renewed() -> None:
    _, make = counting()

    async def test(shelf: Shelf) -> None:
        assert shelf.last("a", 60, make) is None  # none yet; one is being made
        assert await shelf.ask("a", 60, make) == 1
        assert shelf.last("a", 60, make) == 1
        assert shelf.last("b", 0, make) is None
        assert await shelf.ask("b", 0, make) == 2
        assert shelf.last("b", 0, make) == 2  # too old, and still the last

    run(test)


def test_no_more_wait_than_may_and_no_more_are_kept() -> None:
    free = threading.Event()

    async def test(shelf: Shelf) -> None:
        waiting = [asyncio.ensure_future(shelf.ask(place, 60, free.wait)) for place in range(MOST_WAITING)]
        await asyncio.sleep(0)
        with pytest.raises(Refusal, match="at a time"):
            await shelf.ask("one more", 60, free.wait)
        assert shelf.last("one more", 60, free.wait) is None
        free.set()
        await asyncio.gather(*waiting)
        for place in range(2 * MOST_KEPT):
            await shelf.ask(("more", place), 60, lambda: 1)
        made, make = counting()
        await shelf.ask(("more", 0), 60, make)
        assert made == [0]  # it was let go

    run(test)


def test_an_answer_ages_by_the_houses_clock_however_fast_its_story_is_told() -> None:
    made, make = counting()
    story_s = [1000.0]

    async def test() -> None:
        shelf = Shelf(lambda: story_s[0])
        try:
            assert await shelf.ask("stock", 60, make) == 1
            story_s[0] += 59
            assert await shelf.ask("stock", 60, make) == 1
            story_s[0] += 2
            assert await shelf.ask("stock", 60, make) == 2
        finally:
            shelf.close()

    asyncio.run(asyncio.wait_for(test(), WITHIN_S))
    assert made == [0, 1]


def test_what_was_forgotten_is_not_kept_for_ever() -> None:
    """Years of changes, each after other questions: only the newest last answers stay."""

    async def test(shelf: Shelf) -> None:
        for number in range(MOST_KEPT + 5):
            await shelf.ask(number, 60, lambda: "an answer")
            shelf.forget()
        still = [shelf.last(number, 60, lambda: "anew") for number in (4, 5, MOST_KEPT + 4)]
        assert still == [None, "an answer", "an answer"]

    run(test)

"""How long a connection waits before it tries again."""

from daemon.mqtt.backoff import LONGEST_WAIT_S, MANY_BREAKS, STEADY_S, Backoff


def test_the_wait_between_attempts_grows_to_a_bound_and_is_spread() -> None:
    def waits(jitter: float) -> list[float]:
        backoff = Backoff(lambda: jitter)
        return [backoff.next_wait_s(0.0) for _ in range(11)]

    shortest, longest = waits(0.0), waits(1.0)
    assert longest[:4] == [0.5, 1.0, 2.0, 4.0]
    assert max(longest) == 30.0 == longest[-1] == LONGEST_WAIT_S
    assert shortest == [wait / 2 for wait in longest]


def test_after_a_good_link_the_waits_begin_anew() -> None:
    backoff = Backoff(lambda: 1.0)
    for _ in range(5):
        backoff.next_wait_s(STEADY_S - 1)
    assert backoff.next_wait_s(STEADY_S) == 0.5


def test_links_that_soon_break_are_counted_and_a_good_one_or_none_at_all_ends_the_count() -> None:
    backoff = Backoff(lambda: 1.0)
    for ending in ((True, STEADY_S), (False, 0.0)):
        for _ in range(MANY_BREAKS):
            assert not backoff.keeps_breaking
            backoff.ended(True, 1.0)
        assert backoff.keeps_breaking
        backoff.ended(*ending)
        assert not backoff.keeps_breaking

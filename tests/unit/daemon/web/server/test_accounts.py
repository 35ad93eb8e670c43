"""Logins: who may try, how often, and whom what others try does not lock out."""

import asyncio

import pytest

from daemon.web.server.accounts import IDLE_S, MOST_TRIES, MOST_TRIES_OF_STRANGERS, TRIES_WITHIN_S, Accounts, source
from daemon.web.server.refusals import Refusal

RIGHT, WRONG = "four words are enough", "five words are not it"


class House:
    """Logins of a house whose clock goes by hand."""

    def __init__(self) -> None:
        self.now_s = 1000.0
        self.accounts = Accounts("its hash", lambda: self.now_s, lambda _, password: password == RIGHT)

    def log_in(self, address: str, password: str = RIGHT) -> int:
        """The answer's status."""
        try:
            asyncio.run(self.accounts.log_in(password, address))
        except Refusal as refused:
            return refused.status
        return 303


@pytest.fixture
def house() -> House:
    return House()


def attack(house: House) -> list[int]:
    """As many wrong passwords as strangers may send, from as few addresses as that takes, and one more."""
    addresses = [f"192.0.2.{number // MOST_TRIES + 1}" for number in range(MOST_TRIES_OF_STRANGERS)]
    return [house.log_in(address, WRONG) for address in (*addresses, "192.0.2.99")]


def test_wrong_passwords_of_strangers_are_limited_together(house: House) -> None:
    assert attack(house) == [401] * MOST_TRIES_OF_STRANGERS + [429]
    assert house.log_in("198.51.100.7") == 429, "the right password, from where nobody has logged in yet"
    house.now_s += TRIES_WITHIN_S
    assert house.log_in("198.51.100.7") == 303


@pytest.mark.parametrize("address", ["127.0.0.1", "::1", "198.51.100.7"])
def test_what_strangers_try_locks_nobody_out_who_has_logged_in_or_is_at_the_machine(house: House, address: str) -> None:
    if address == "198.51.100.7":
        assert house.log_in(address) == 303
    attack(house)
    assert house.log_in(address, WRONG) == 401
    assert house.log_in(address) == 303


def test_each_address_is_limited_by_itself_known_or_not(house: House) -> None:
    assert house.log_in("198.51.100.7") == 303
    assert [house.log_in("198.51.100.7", WRONG) for _ in range(MOST_TRIES)] == [401] * MOST_TRIES
    assert house.log_in("198.51.100.7") == 429
    assert house.log_in("127.0.0.1") == 303


def test_a_page_that_is_left_open_keeps_no_login_alive(house: House) -> None:
    secret = asyncio.run(house.accounts.log_in(RIGHT, "198.51.100.7"))
    for _ in range(4):
        house.now_s += IDLE_S / 3
        left_open = house.accounts.session(secret, renews=False) is not None
    assert not left_open
    secret = asyncio.run(house.accounts.log_in(RIGHT, "198.51.100.7"))
    for _ in range(4):
        house.now_s += IDLE_S / 3
        assert house.accounts.session(secret) is not None, "one that is used stays"


def test_a_machine_with_many_addresses_is_one_source() -> None:
    assert source("2001:db8:1:2::7") == source("2001:db8:1:2:ffff::1") != source("2001:db8:1:3::7")
    assert source("127.0.0.1") == source("127.9.9.9") == source("::1")
    assert source("192.0.2.1") != source("192.0.2.2")
    assert source("") == ""

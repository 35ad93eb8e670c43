"""The hash of the house password, tried in the daemon's own process and apart from it."""

import subprocess

import pytest

from daemon.web.server.password_hash import fits, fits_apart, hashed
from daemon.web.server.refusals import Refusal

PASSWORD = "vier Wörter – genug"


def test_a_password_fits_its_hash_and_no_other() -> None:
    known = hashed(PASSWORD)
    for tried in (fits, fits_apart):
        assert tried(known, PASSWORD)
        assert not tried(known, PASSWORD + "!")
        assert not tried("no hash", PASSWORD)


def test_a_try_that_cannot_be_made_is_no_login(monkeypatch: pytest.MonkeyPatch) -> None:
    def no_memory(*_: object, **__: object) -> None:
        raise OSError("Cannot allocate memory")

    monkeypatch.setattr(subprocess, "run", no_memory)
    with pytest.raises(Refusal, match="the password could not be tried just now"):
        fits_apart(hashed(PASSWORD), PASSWORD)

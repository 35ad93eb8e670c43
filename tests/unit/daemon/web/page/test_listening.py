"""One time of listening at most, in a thread; the last result is kept, and a failure said."""

import threading

import pytest

from daemon.mqtt.address import BrokerAddress
from daemon.setup.examine import examined
from daemon.setup.survey import Survey
from daemon.web.page.listening import Listened, Listening
from rules.model.errors import BrimfulError

WITHIN_S = 30.0


def test_one_at_a_time_and_the_result_is_kept() -> None:
    go_on = threading.Event()

    def hear(broker: BrokerAddress | None, seconds: float, begun: Listened) -> None:
        assert go_on.wait(WITHIN_S)
        begun.found, begun.known = Survey(seconds=seconds), examined({})

    ears = Listening(hear)
    begun = ears.begin(None, 15)
    assert 0 < begun.left_s <= 15
    with pytest.raises(BrimfulError, match="one under way"):
        ears.begin(None, 15)
    go_on.set()
    assert begun.ended.wait(WITHIN_S)
    assert ears.last is begun
    assert begun.found is not None
    assert ears.begin(None, 1).token != begun.token


def test_a_time_that_is_none_and_no_broker() -> None:
    ears = Listening()
    for seconds in (0.0, 601.0):
        with pytest.raises(BrimfulError, match="expected 1 to 600 s"):
            ears.begin(None, seconds)
    begun = ears.begin(None, 1)
    assert begun.ended.wait(WITHIN_S)
    assert begun.known is None
    assert "expected one that can be reached, found none" in begun.fault

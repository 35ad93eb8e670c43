"""Jobs and commands by name: what is wrong with a list of them is said when the daemon is put together."""

import pytest

from daemon.runtime.registry import Command, Commands, Job, Jobs, question
from daemon.timing.schedule import every
from rules.model.errors import BrimfulError
from rules.model.reading import Moment

NOW = Moment(1_780_315_200.0, 0.0)


def test_a_name_that_is_taken_is_refused() -> None:
    jobs = [Job("sweep", print), Job("dust", print), Job("sweep", print)]
    with pytest.raises(BrimfulError, match="job 'sweep': expected a name of its own, got one that is taken"):
        Jobs(jobs)
    with pytest.raises(BrimfulError, match="command 'why': expected a name of its own"):
        Commands([question("why", str), question("why", str)])


def test_a_name_that_will_be_asked_for_must_be_listed() -> None:
    jobs = Jobs([Job("sweep", print), Job("dust", print)])
    jobs.must_know(("dust", "sweep"))
    with pytest.raises(BrimfulError, match="job 'polish': expected one of sweep, dust"):
        jobs.must_know(("dust", "polish"))


def test_the_timetable_holds_the_jobs_that_have_times_in_their_order() -> None:
    jobs = Jobs([Job("dust", print, every(60)), Job("asked for", print), Job("air", print, every(15))])
    assert list(jobs.triggers()) == ["dust", "air"]


def test_a_command_reads_its_wish_and_does_it() -> None:
    commands = Commands([Command("add", lambda arguments: int(arguments["by"]), lambda by, now: now.utc_s + by)])
    assert commands.answer("add", {"by": "7"}, NOW) == NOW.utc_s + 7
    assert Commands([question("when", lambda now: now.utc_s)]).answer("when", {"more": 1}, NOW) == NOW.utc_s

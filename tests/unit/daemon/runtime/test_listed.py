"""The lists of jobs and commands of a real house."""

from collections.abc import Iterator
from datetime import UTC, datetime
from pathlib import Path

import pytest

from daemon.assembly.prepared_home import prepare
from daemon.config.load import load
from daemon.mqtt.address import BrokerAddress
from daemon.runtime.listed import AT_START, commands, jobs
from daemon.runtime.registry import Commands, Jobs
from daemon.runtime.service import Service
from daemon.timing.clock import SteppedClock
from daemon.timing.schedule import SteppedSchedule
from daemon.web.site.application import ASKS
from rules.model.errors import BrimfulError
from tests.support.broker import free_port
from tests.support.homes import SMALL

NOON_S = datetime(2026, 6, 1, 12, tzinfo=UTC).timestamp()


@pytest.fixture
def service(tmp_path: Path) -> Iterator[Service]:
    """A daemon that is put together and never started."""
    file = tmp_path / "home.toml"
    file.write_text(f"{SMALL}\n[ledger]\nflush_s = 300\n[api]\nport = {free_port()}\n")
    made = Service(
        prepare(load(file)), BrokerAddress("127.0.0.1", free_port()), SteppedClock(NOON_S), stepped_from_s=NOON_S
    )
    yield made
    made._end()


def test_the_daemons_timetable(service: Service) -> None:
    """Within a day from noon: pruning every six hours; orders sent again, and state written, as often as asked."""
    stepped = SteppedSchedule(service.loop.jobs.triggers(), NOON_S + 0.5)
    refresh_s = service.home.heaters["main"].refresh_s
    count: dict[str, int] = {}
    pruned_at = []
    for second in range(1, 86_401):
        for job in stepped.due(NOON_S + second):
            count[job] = count.get(job, 0) + 1
            if job == "prune":
                pruned_at.append(datetime.fromtimestamp(NOON_S + second, UTC).strftime("%H:%M:%S"))
    assert pruned_at == ["18:00:00", "00:00:00", "06:00:00", "12:00:00"]
    assert (count["refresh"], count["flush"]) == (86_400 / refresh_s, 288)
    assert (count["settle"], count["reload"], count["ship"], count["past"]) == (1440, 17_280, 5760, 24)
    assert not {"backup", "prices"} & count.keys(), "a clock that is moved by hand, and no prices told ahead"


def test_jobs_of_one_instant_settle_before_they_ship_and_ship_before_they_write(service: Service) -> None:
    order = list(service.loop.jobs.triggers())
    assert order.index("settle") < order.index("ship") < order.index("flush")


def test_what_heaters_and_books_need_is_no_side_job(service: Service) -> None:
    assert [job.name for job in service.loop.jobs if not job.side] == ["settle", "refresh", "publish", "flush"]


def test_every_name_that_is_asked_for_is_listed(service: Service) -> None:
    jobs(service.parts).must_know((*AT_START, "reload", "show", "backup", "backed-up", "restate on", "ship"))
    commands(service.parts).must_know(ASKS)


def test_a_path_without_a_command_keeps_the_daemon_from_being_put_together(
    tmp_path: Path, service: Service, monkeypatch: pytest.MonkeyPatch
) -> None:
    monkeypatch.setattr("daemon.runtime.listed.commands", lambda parts: Commands())
    file = tmp_path / "home.toml"
    service.keeper.close()  # the other one is to have the ledger
    with pytest.raises(BrimfulError, match="command 'why': expected one of"):
        Service(
            prepare(load(file)), BrokerAddress("127.0.0.1", free_port()), SteppedClock(NOON_S), stepped_from_s=NOON_S
        )


def test_a_job_that_is_asked_for_at_the_start_must_be_listed(
    tmp_path: Path, service: Service, monkeypatch: pytest.MonkeyPatch
) -> None:
    monkeypatch.setattr("daemon.runtime.listed.jobs", lambda parts: Jobs())
    file = tmp_path / "home.toml"
    service.keeper.close()
    with pytest.raises(BrimfulError, match="job 'prices': expected one of"):
        Service(
            prepare(load(file)), BrokerAddress("127.0.0.1", free_port()), SteppedClock(NOON_S), stepped_from_s=NOON_S
        )

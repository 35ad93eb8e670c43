"""The daemon's timetable. Jobs only enqueue; the same triggers serve the live scheduler and a stepped clock."""

from collections.abc import Callable, Mapping
from datetime import UTC, datetime, timedelta

from apscheduler.events import EVENT_JOB_ERROR, EVENT_JOB_MISSED, JobExecutionEvent
from apscheduler.schedulers.background import BackgroundScheduler
from apscheduler.triggers.base import BaseTrigger
from apscheduler.triggers.interval import IntervalTrigger

_EPOCH = datetime(1970, 1, 1, tzinfo=UTC)
GRACE_S = 30


def every(seconds: float) -> BaseTrigger:
    """Every so many seconds, on a grid that does not depend on when the daemon started."""
    return IntervalTrigger(seconds=seconds, start_date=_EPOCH, timezone=UTC)


class LiveSchedule:
    """The timetable on the machine's clock."""

    def __init__(
        self, triggers: Mapping[str, BaseTrigger], enqueue: Callable[[str], None], missed: Callable[[str, str], None]
    ) -> None:
        self._scheduler = BackgroundScheduler(timezone=UTC)
        self._missed = missed
        for name, trigger in triggers.items():
            self._scheduler.add_job(
                enqueue,
                trigger,
                args=[name],
                id=name,
                misfire_grace_time=_grace_s(trigger),
                coalesce=True,
                max_instances=1,
            )
        self._triggers = triggers
        self._scheduler.add_listener(self._report, EVENT_JOB_ERROR | EVENT_JOB_MISSED)

    def _report(self, event: JobExecutionEvent) -> None:
        self._missed(event.job_id, str(event.exception) if event.exception else "its time was missed")

    def start(self) -> None:
        self._scheduler.start()

    def due(self, utc_s: float) -> list[str]:
        """None: here the jobs come by themselves."""
        return []

    def rearm(self, utc_s: float) -> None:
        """Work every job's next time out anew, after the clock was set: else one set back halts them all."""
        for name, trigger in self._triggers.items():
            self._scheduler.reschedule_job(name, trigger=trigger)

    def stop(self) -> None:
        self._scheduler.shutdown(wait=False)


def _grace_s(trigger: BaseTrigger) -> int | None:
    """How late a job may still be done: what comes again soon is let go, what is rare is done after all (None)."""
    often = isinstance(trigger, IntervalTrigger) and trigger.interval.total_seconds() < 3600
    return GRACE_S if often else None


class SteppedSchedule:
    """The timetable on a clock that somebody moves."""

    def __init__(self, triggers: Mapping[str, BaseTrigger], start_utc_s: float) -> None:
        self._triggers = triggers
        self._next = {name: _at_or_after(trigger, _datetime(start_utc_s)) for name, trigger in triggers.items()}

    def rearm(self, utc_s: float) -> None:
        """As `LiveSchedule.rearm`."""
        self._next = {name: _at_or_after(trigger, _datetime(utc_s)) for name, trigger in self._triggers.items()}

    def due(self, utc_s: float) -> list[str]:
        """Names of the jobs whose time has come by `utc_s`, each once, however often it was passed."""
        now = _datetime(utc_s)
        names = [name for name, fire in self._next.items() if fire <= now]
        for name in names:
            self._next[name] = _at_or_after(self._triggers[name], now + timedelta(microseconds=1))
        return names


def _at_or_after(trigger: BaseTrigger, instant: datetime) -> datetime:
    """A trigger's next time on its own grid; those of the timetable never end."""
    fire: datetime | None = trigger.get_next_fire_time(None, instant)
    assert fire is not None
    return fire


def _datetime(utc_s: float) -> datetime:
    return datetime.fromtimestamp(utc_s, UTC)

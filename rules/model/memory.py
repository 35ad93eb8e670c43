"""What the rules remember from one decision to the next. Instants are seconds of the forward clock unless stated
otherwise."""

from dataclasses import dataclass, field

from rules.model.orders import Decision, Order
from rules.model.snapshot import HeatingTimes


@dataclass(frozen=True, slots=True)
class Override:
    """The owner's override, until it expires.

    heater: the heater it is for; None: the preferred one, or all of them if the order is `withhold`.
    """

    order: Order
    until_s: float
    heater: str | None = None


@dataclass(frozen=True, slots=True)
class PlannedRun:
    """Heat from the grid from from_s until to_s, UTC seconds, up to level_pct of the tank."""

    from_s: float
    to_s: float
    level_pct: float


@dataclass(frozen=True, slots=True)
class Planned:
    """Tonight's plan, as far as it orders anything: which heater heats when, and up to which level."""

    heater: str
    runs: tuple[PlannedRun, ...]


@dataclass(frozen=True, slots=True)
class HeaterMemory:
    """One heater's past.

    since_s: when its order last changed (-inf: never); idle_since_s: since when it has been permitted, with surplus,
    and taken nothing (None: it takes something, or is not permitted); satisfied_at_s: when it was last judged
    satisfied by its own thermostat (None: it is not); satisfied_level_pct: the tank's level then;
    satisfied_count: how often; reversals_s: when a modulated heater's correction last changed sign;
    step_sign: the last correction's sign; tracked_s: `seen_s` of the surplus reading that gave its standing watts.
    """

    since_s: float = float("-inf")
    idle_since_s: float | None = None
    satisfied_at_s: float | None = None
    satisfied_level_pct: float = 0.0
    satisfied_count: int = 0
    reversals_s: tuple[float, ...] = ()
    step_sign: int = 0
    tracked_s: float = float("-inf")


@dataclass(frozen=True, slots=True)
class Frozen:
    """A level that stands still although it cannot. It is not believed until it reads another value.

    level_pct: what it reads; since_s: since when; taken_wh: what the heaters took from then until this was noticed.
    """

    level_pct: float
    since_s: float
    taken_wh: float


@dataclass(frozen=True, slots=True)
class HotRecord:
    """When the whole tank was hot.

    began_utc_s: since when it has been watched, UTC seconds; last_hot_utc_s: the latest instant at which the hold was
    complete (None: no record of one). Days are counted by UTC, because no other clock lasts over a restart.
    hot_since_s: since when it has been hot without a break (None: it is not known to be hot); seen_s: the oldest of the
    readings that last showed it hot.
    drew_since_s: when the order was given under which the heater last drew (None: its thermostat has ended that);
    ended_s: when its own thermostat last ended the heating (None: it has drawn since, or the level was too low).
    tried_utc_s: when the stop level last ended an attempt before the tank was hot throughout; bottom_c: the coldest
    temperature then, if one is known.
    """

    began_utc_s: float
    last_hot_utc_s: float | None = None
    hot_since_s: float | None = None
    seen_s: float = float("-inf")
    drew_since_s: float | None = None
    ended_s: float | None = None
    tried_utc_s: float | None = None
    bottom_c: float | None = None


@dataclass(frozen=True, slots=True)
class Memory:
    """The house's past. decision: None before the first one; heaters: in the order of the settings;
    full_since_s: since when the tank has been at stop level and not yet below resume level (None: there is room);
    hot_since_s: the same for the temperature limit; frozen: the level that is not believed (None: the level is
    believed); hygiene: None if that rule is off; begun: the stretches of heating on purpose that have begun, over or
    not, until their day ends; planned: the plan to follow (None: there is none).
    """

    decision: Decision | None = None
    heaters: tuple[HeaterMemory, ...] = ()
    full_since_s: float | None = None
    hot_since_s: float | None = None
    override: Override | None = None
    frozen: Frozen | None = None
    hygiene: HotRecord | None = None
    begun: HeatingTimes = field(default_factory=HeatingTimes)
    planned: Planned | None = None

"""What the rules remember from one decision to the next. All instants are seconds of the forward clock."""

from dataclasses import dataclass

from rules.model.orders import Decision, Order


@dataclass(frozen=True, slots=True)
class Override:
    """The owner's word, until it expires.

    order is asked of `heater`; None: of the preferred one, or of all where it is `withhold`.
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
    """A level that stands still though it cannot: not believed until it reads another value.

    level_pct: what it reads; since_s: since when; taken_wh: what the heaters took from then until it was found.
    """

    level_pct: float
    since_s: float
    taken_wh: float


@dataclass(frozen=True, slots=True)
class Memory:
    """The house's past. decision: None before the first; heaters: in the order of the settings;
    full_since_s: since when the tank has been at stop level and not yet below resume level (None: there is room);
    hot_since_s: the same for the temperature limit; frozen: the level that is not believed (None: it is);
    planned: the plan that is to be followed (None: there is none).
    """

    decision: Decision | None = None
    heaters: tuple[HeaterMemory, ...] = ()
    full_since_s: float | None = None
    hot_since_s: float | None = None
    override: Override | None = None
    frozen: Frozen | None = None
    planned: Planned | None = None

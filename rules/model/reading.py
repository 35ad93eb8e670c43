"""One value of a signal, and the two clocks it is dated by."""

from rules.model.record import record

NEVER_LIVE_S = float("-inf")
"""`seen_s` of a value that was never heard live: however young, it is not fresh."""


@record
class Moment:
    """An instant by both clocks.

    utc_s: seconds since 1970 UTC; may step. Books and what people read are dated by it.
    mono_s: seconds of a clock that only goes forward. Ages and timers are counted by it.
    """

    utc_s: float
    mono_s: float

    def utc_of(self, mono_s: float) -> float:
        """The UTC second of an earlier or later instant of the forward clock."""
        return self.utc_s + (mono_s - self.mono_s)

    def mono_of(self, utc_s: float) -> float:
        """The forward clock's second at which a UTC second to come will have been reached.

        Floats of UTC seconds lie further apart than those of the forward clock, or as far in a replay: the way back by
        `utc_of` rounds to `utc_s` itself. Where the wall clock was slowed meanwhile, what is left is due next.
        """
        return self.mono_s + (utc_s - self.utc_s)


@record
class Reading:
    """One value of a signal.

    at_s: UTC seconds at which the quantity had this value (the message's own time, or its arrival).
    seen_s: forward-clock seconds from which its age counts; NEVER_LIVE_S if it was not heard live.
    """

    signal: str
    value: float
    at_s: float
    seen_s: float

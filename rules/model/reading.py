"""One value of a signal, and the two clocks that date it."""

from rules.model.record import record

NEVER_LIVE_S = float("-inf")
"""`seen_s` of a value that was never heard live. Such a value is not fresh, however young it is."""


@record
class Moment:
    """An instant by both clocks.

    utc_s: seconds since 1970 UTC; may step. It dates the books and what people read.
    mono_s: seconds of a clock that only goes forward. It counts ages and timers.
    """

    utc_s: float
    mono_s: float

    def utc_of(self, mono_s: float) -> float:
        """The UTC second of an earlier or later instant of the forward clock."""
        return self.utc_s + (mono_s - self.mono_s)

    def mono_of(self, utc_s: float) -> float:
        """The forward clock's second at which a future UTC second will be reached.

        Converting the result back with `utc_of` gives `utc_s` exactly, because neighbouring floats of UTC seconds lie
        at least as far apart as those of the forward clock. If the wall clock is slowed meanwhile, the rest of the wait
        is due next.
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

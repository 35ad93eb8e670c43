"""When a household draws hot water: the load profiles M and L of Regulation (EU) 814/2013, Annex III, table 1."""

from dataclasses import dataclass

from rules.tank.cylinder import WH_PER_L_K

PROFILE_COLD_C = 10.0


@dataclass(frozen=True, slots=True)
class Draw:
    """One draw. at_s: seconds of the local day; need_wh: heat wanted above 10 °C; tap_c: how warm it must come."""

    at_s: int
    need_wh: float
    flow_l_per_min: float
    tap_c: float

    @property
    def tap_l(self) -> float:
        """Litres at tap_c that carry need_wh."""
        return self.need_wh / (WH_PER_L_K * (self.tap_c - PROFILE_COLD_C))

    @property
    def lasts_s(self) -> float:
        """How long the tap is open, s."""
        return 60.0 * self.tap_l / self.flow_l_per_min


def _profile(*rows: tuple[str, float, float, float]) -> tuple[Draw, ...]:
    return tuple(
        Draw(int(at[:2]) * 3600 + int(at[3:]) * 60, need_kwh * 1000, flow, tap_c) for at, need_kwh, flow, tap_c in rows
    )


# Clock time, kWh, L/min, °C: the peak temperature where the table has one, else the useful temperature.
PROFILE_M = _profile(
    ("07:00", 0.105, 3, 25),
    ("07:05", 1.4, 6, 40),
    ("07:30", 0.105, 3, 25),
    ("08:01", 0.105, 3, 25),
    ("08:15", 0.105, 3, 25),
    ("08:30", 0.105, 3, 25),
    ("08:45", 0.105, 3, 25),
    ("09:00", 0.105, 3, 25),
    ("09:30", 0.105, 3, 25),
    ("10:30", 0.105, 3, 40),
    ("11:30", 0.105, 3, 25),
    ("11:45", 0.105, 3, 25),
    ("12:45", 0.315, 4, 55),
    ("14:30", 0.105, 3, 25),
    ("15:30", 0.105, 3, 25),
    ("16:30", 0.105, 3, 25),
    ("18:00", 0.105, 3, 25),
    ("18:15", 0.105, 3, 40),
    ("18:30", 0.105, 3, 40),
    ("19:00", 0.105, 3, 25),
    ("20:30", 0.735, 4, 55),
    ("21:15", 0.105, 3, 25),
    ("21:30", 1.4, 6, 40),
)
PROFILE_L = _profile(
    ("07:00", 0.105, 3, 25),
    ("07:05", 1.4, 6, 40),
    ("07:30", 0.105, 3, 25),
    ("07:45", 0.105, 3, 25),
    ("08:05", 3.605, 10, 40),
    ("08:25", 0.105, 3, 25),
    ("08:30", 0.105, 3, 25),
    ("08:45", 0.105, 3, 25),
    ("09:00", 0.105, 3, 25),
    ("09:30", 0.105, 3, 25),
    ("10:30", 0.105, 3, 40),
    ("11:30", 0.105, 3, 25),
    ("11:45", 0.105, 3, 25),
    ("12:45", 0.315, 4, 55),
    ("14:30", 0.105, 3, 25),
    ("15:30", 0.105, 3, 25),
    ("16:30", 0.105, 3, 25),
    ("18:00", 0.105, 3, 25),
    ("18:15", 0.105, 3, 40),
    ("18:30", 0.105, 3, 40),
    ("19:00", 0.105, 3, 25),
    ("20:30", 0.735, 4, 55),
    ("21:00", 3.605, 10, 40),
    ("21:30", 0.105, 3, 25),
)

RISE_K = (41.2, 41.4, 40.1, 37.6, 36.4, 33.9, 30.4, 33.4, 33.5, 36.3, 39.4, 39.9)
"""Temperature rise of hot water by month, January first, K: SAP 2012, table 1d."""
MONTH_FACTOR = (1.10, 1.06, 1.02, 0.98, 0.94, 0.90, 0.90, 0.94, 0.98, 1.02, 1.06, 1.10)
"""Daily volume by month as a share of the year's mean: SAP 2012, table 1c."""


def household_wh(people: float, month: int) -> float:
    """Heat that a household's hot water needs per day, Wh. month: 1 to 12.

    SAP 2012: 25 N + 36 L a day, by month. Losses of pipes are not included.
    """
    litres = (25.0 * people + 36.0) * MONTH_FACTOR[month - 1]
    return 4.18 / 3.6 * litres * RISE_K[month - 1]


def profile_for(people: float) -> tuple[str, tuple[Draw, ...]]:
    """The profile whose shape fits a household, and its name: M up to three people, L above (common practice)."""
    return ("M", PROFILE_M) if people <= 3 else ("L", PROFILE_L)


def need_wh(profile: tuple[Draw, ...], day_wh: float, length_s: int) -> dict[int, float]:
    """A day's heat wanted, Wh, by slot of length_s of the local day (slots without a draw left out).

    The profile is scaled to day_wh; each draw keeps its start and its duration, and spreads over the slots it runs in.
    """
    total_wh = sum(draw.need_wh for draw in profile)
    wanted: dict[int, float] = {}
    for draw in profile:
        scaled_wh = draw.need_wh * day_wh / total_wh
        left_s, at_s = draw.lasts_s, float(draw.at_s)
        while left_s > 1e-9:
            slot = int(at_s // length_s)
            part_s = min(left_s, (slot + 1) * length_s - at_s)
            wanted[slot] = wanted.get(slot, 0.0) + scaled_wh * part_s / draw.lasts_s
            left_s -= part_s
            at_s += part_s
    return wanted

"""The hot water a household wants: counted by its meter, or, without one, a tapping profile scaled to the household."""

from collections.abc import Iterable, Iterator, Sequence
from dataclasses import dataclass
from datetime import datetime, timedelta
from itertools import pairwise
from math import isnan
from zoneinfo import ZoneInfo

from accounting.model.periods import local_day, midnight_s
from rules.model.wording import Number, say
from rules.tank.cylinder import WH_PER_L_K
from rules.tank.tapping import household_wh, need_wh, profile_for

MINUTE_S = 60
MOST_W = 60_000.0
"""The most heat a household's taps carry: 30 L a minute, 29 K warmer than cold (common practice, no source)."""


@dataclass(frozen=True, slots=True)
class Wanted:
    """How a household's hot water becomes heat.

    people: in the household, where nothing counts its water; zone: the home's; rise_k: from cold to a full tank's
    temperature, at which a litre counted by `water_l` is taken to have left the tank; by_hour_wh: the household's own
    heat in each hour of a day, where a fit has found it.
    """

    people: float
    zone: ZoneInfo
    rise_k: float
    by_hour_wh: tuple[float, ...] | None = None

    @property
    def note(self) -> str:
        """What is taken for granted where nothing counts the water."""
        if self.by_hour_wh is not None:
            return say(
                "no column drawn_wh or water_l: hot water as fitted, {by_hour} kWh a day, the same hours every day",
                by_hour=Number(f"{sum(self.by_hour_wh) / 1000:.1f}"),
            )
        name, _ = profile_for(self.people)
        return say(
            "no column drawn_wh or water_l: hot water by load profile {name} of Regulation (EU) 814/2013, "
            "scaled to what {people} people need by SAP 2012; the household's own habits are not in it",
            name=name,
            people=Number(f"{self.people:g}"),
        )

    def by_profile(self, at_s: Iterable[int]) -> Iterator[float]:
        """Heat wanted in each minute that starts at one of these UTC seconds, Wh, by the home's clock."""
        if self.by_hour_wh is not None:
            minutes_wh = [wanted_wh / 60 for wanted_wh in self.by_hour_wh]
            yield from (minutes_wh[datetime.fromtimestamp(second, self.zone).hour] for second in at_s)
            return
        _, profile = profile_for(self.people)
        day_ends_s = start_s = 0
        slots: dict[int, float] = {}
        for second in at_s:
            if second >= day_ends_s:
                day = local_day(second, self.zone)
                start_s, day_ends_s = midnight_s(day, self.zone), midnight_s(day + timedelta(days=1), self.zone)
                slots = need_wh(profile, household_wh(self.people, day.month), MINUTE_S)
            yield slots.get((second - start_s) // MINUTE_S, 0.0)


def counted(
    at_s: Sequence[int],
    ends_s: Sequence[int],
    columns: dict[str, list[float]],
    wanted: Wanted,
    notes: list[str],
) -> list[float]:
    """Heat wanted in the time of each row, Wh, by the counter `drawn_wh`, else `water_l`; nothing without either.

    What a counter has gained from one reading to the next spreads over the rows between them by their time. A counter
    that falls for one reading only has not fallen; it has restarted where it starts near zero; else the lower figure is
    its new base, and no heat. A gain that no tap can bring is set aside. What falls into a gap is left out with it.
    """
    needs = [0.0] * len(at_s)
    name, per_unit = ("drawn_wh", 1.0) if "drawn_wh" in columns else ("water_l", WH_PER_L_K * wanted.rise_k)
    if name not in columns:
        return needs
    if name == "water_l":
        notes.append(
            say(
                "water_l: a litre counts as {per_unit} Wh, as if it left a full tank",
                per_unit=Number(f"{per_unit:.1f}"),
            )
        )
    values = columns[name]
    known = [place for place, value in enumerate(values) if not isnan(value)]
    good = [
        place
        for before, place, after in zip(known, known[1:], known[2:], strict=False)
        if not values[place] < values[before] <= values[after]
    ]
    fell = len(known[1:-1]) - len(good)
    aside = 0
    for one, other in pairwise([*known[:1], *good, *known[max(len(known) - 1, 1) :]]):
        gained = values[other] - values[one]
        most = MOST_W * (at_s[other] - at_s[one]) / 3600.0 / per_unit + 1000.0 / per_unit
        if gained < 0:
            fell += 1
            gained = values[other] if values[other] <= most else 0.0
        if gained > most:
            aside += 1
            continue
        if gained:
            whole_s = at_s[other] - at_s[one]
            for place in range(one, other):
                needs[place] += gained * per_unit * (ends_s[place] - at_s[place]) / whole_s
    if fell:
        notes.append(
            say(
                "{name}: fell {fell} times; counted from 0 where it restarted, else as a new base",
                name=name,
                fell=fell,
            )
        )
    if aside:
        notes.append(say("{name}: {aside} steps that no tap can bring, set aside", name=name, aside=aside))
    return needs

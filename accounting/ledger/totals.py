"""Totals of the ledger's integers over spans of time, and what its entries assume."""

from typing import NamedTuple

from accounting.ledger.errors import speaking
from accounting.ledger.recorded import Recorded
from accounting.ledger.verifying import CURRENT, ONE_SIDED
from accounting.model.figures import RARE, TWO_SIDED, USUAL, Figures

_COUNTED = (
    "({0}.restatement IS NULL AND {0}.booked_at_s <= :t "
    "OR {0}.restatement IN (SELECT id FROM restated WHERE at_s <= :t))"
)
"""Of an entry's version: whether it was there at :t, UTC seconds. A restatement's are from when it is done."""
_REPLACED_THEN = (
    "EXISTS (SELECT 1 FROM entry l WHERE l.start_s = e.start_s AND l.heater = e.heater AND l.version > e.version "
    f"AND {_COUNTED.format('l')})"
)


_SUM_SQL = {
    "marginal_wh": "sum(iif({0}given_up_marginal_mg IS NULL, 0, {0}diverted_wh))",
    "sellable_wh": (
        "sum(iif({0}export_price_micro IS NULL OR {0}heat_value_micro IS NULL, 0, "
        "{0}diverted_wh - {0}grid_wh - {0}battery_wh - {0}forgone_wh - {0}curtailed_wh))"
    ),
}
"""How a sum is made that is not just its column's."""
_ONE_SIDED_SQL = {name: f"sum(iif({ONE_SIDED}, 0, {{0}}{name}))" for name in TWO_SIDED} | {
    "unpriced_wh": f"sum(iif({ONE_SIDED}, {{0}}diverted_wh, {{0}}unpriced_wh))"
}
"""How money is summed where some of the ledger's entries hold it on one side alone."""
_HOLDS = {
    "bought": "SELECT 1 FROM entry WHERE grid_wh > 0 OR battery_wh > 0 LIMIT 1",
    "marginal": "SELECT 1 FROM entry WHERE given_up_marginal_mg IS NOT NULL LIMIT 1",
    "forgone": "SELECT 1 FROM entry WHERE forgone_wh > 0 OR unheard_wh > 0 LIMIT 1",
}
"""How to find out at once whether a ledger holds anything of the figures that most do not, by kind."""


class Assumed(NamedTuple):
    """What entries assume of their heat: the share used, the shares displaced (see `Entry`); of how much diverted
    energy, and what is avoided by it, millionths of the currency unit and mg CO2e."""

    used: str | None
    displaced: str | None
    wh: int
    avoided_micro: int
    avoided_mg: int
    avoided_marginal_mg: int


class Losing(NamedTuple):
    """The sun that was diverted while selling paid more than the heat was worth, grid and battery left aside.

    lost_micro, lost_mg: what that lost, millionths of the currency unit and mg CO2e (negative: it gained); last_s:
    start of the last such interval, UTC seconds.
    """

    wh: int = 0
    lost_micro: int = 0
    lost_mg: int = 0
    last_s: int = 0


class HeaterSpan(NamedTuple):
    """From when to when a heater has been booked, UTC seconds; in_use: the settings still name it."""

    name: str
    in_use: bool
    first_s: int
    end_s: int


class Totals(Recorded):
    """The part of `Ledger` that adds up."""

    def sums(self, spans: list[tuple[int, int]], as_of_s: float | None = None) -> list[Figures]:
        """Totals, for each span, of the current entries that start in [from, to). Spans are ascending and disjoint.

        as_of_s: of the versions that counted at that instant, UTC seconds. A restatement counts once it is done.
        """
        if not spans:
            return []
        if as_of_s is None and self.unfinished_restatement() is not None:
            as_of_s = float("inf")
        # All versions less the replaced ones: a look-up for each entry would cost more than the sums themselves.
        with speaking("read the ledger", self._path):
            ask = self._db.execute
            names = USUAL
            for kind, holds in _HOLDS.items():
                if ask(holds).fetchone():
                    names += RARE[kind]
            one_sided = ask(f"SELECT 1 FROM entry WHERE {ONE_SIDED.format('')} LIMIT 1").fetchone() is not None
            everything = (
                f"SELECT {_sums_sql(names, 'e.', one_sided)} FROM entry e WHERE e.start_s >= :from AND e.start_s < :to"
            )
            replaced = (
                f"SELECT {_sums_sql(names, 'e.', one_sided)} FROM superseded s CROSS JOIN entry e "
                "USING (start_s, heater, version) WHERE s.start_s >= :from AND s.start_s < :to"
            )
            if as_of_s is not None:
                everything += f" AND {_COUNTED.format('e')}"
                replaced += f" AND {_COUNTED.format('e')} AND {_REPLACED_THEN}"

            def total(sql: str, span: tuple[int, int]) -> Figures:
                row = ask(sql, {"from": span[0], "to": span[1], "t": as_of_s}).fetchone()
                return Figures(**{name: n or 0 for name, n in zip(names, row, strict=True)})

            totals = [total(everything, span) for span in spans]
            within = "SELECT 1 FROM superseded WHERE start_s >= ? AND start_s < ? LIMIT 1"
            if ask(within, (spans[0][0], spans[-1][1])).fetchone():
                for place, span in enumerate(spans):
                    totals[place] -= total(replaced, span)
        return totals

    def assumed(self, from_s: float, to_s: float, as_of_s: float | None = None) -> list[Assumed]:
        """What the entries that start in [from_s, to_s) assume of the heat, and what they avoid by it: one of each
        share used and set of displaced shares, most energy first. as_of_s: as in `sums`."""
        counted = CURRENT
        if as_of_s is None and self.unfinished_restatement() is not None:
            as_of_s = float("inf")
        if as_of_s is not None:
            counted = f"{_COUNTED.format('e')} AND NOT {_REPLACED_THEN}"
        money = f"sum(iif({ONE_SIDED.format('')}, 0, avoided_micro))"
        rows = self.ask(
            f"SELECT used, displaced, sum(diverted_wh) wh, {money}, sum(avoided_mg), "
            "ifnull(sum(avoided_marginal_mg), 0) FROM entry e WHERE start_s >= :from AND start_s < :to "
            f"AND diverted_wh > 0 AND {counted} GROUP BY used, displaced ORDER BY wh DESC, used, displaced",
            **{"from": from_s, "to": to_s, "t": as_of_s},
        )
        return [Assumed(*row) for row in rows]

    def losing(self, from_s: float, to_s: float) -> Losing:
        """Of the current entries that start in [from_s, to_s), those with an export price above the heat's value."""
        sun = "(diverted_wh - grid_wh - battery_wh)"
        priced = "(diverted_wh - ifnull(unpriced_wh, 0))"  # what avoided_micro counts
        avoided = f"avoided_micro * min({sun}, {priced}) / max(1, {priced})"
        sql = (
            f"SELECT sum{sun}, sum(given_up_micro - {avoided}), "
            f"sum(given_up_mg - avoided_mg * {sun} / diverted_wh), max(start_s) "
            "FROM entry e WHERE start_s >= ? AND start_s < ? AND diverted_wh > grid_wh + battery_wh "
            f"AND export_price_micro > heat_value_micro AND {CURRENT}"
        )
        return Losing(*(figure or 0 for figure in self.ask(sql, from_s, to_s)[0]))

    def taken_wh(self, heater: str, from_s: float, to_s: float) -> int:
        """Energy of a heater's current entries that start in [from_s, to_s), Wh."""
        sql = f"SELECT sum(diverted_wh) FROM entry e WHERE start_s >= ? AND start_s < ? AND heater = ? AND {CURRENT}"
        return self.ask(sql, from_s, to_s, heater)[0][0] or 0

    def heater_spans(self, as_of_s: float | None = None) -> list[HeaterSpan]:
        """Each heater that has settled entries, by name; as_of_s: that had them at that instant, UTC seconds."""
        with self.still(), speaking("read the ledger", self._path):
            self._unchanged("heater")
        if as_of_s is None:
            rows = self.ask("SELECT name, in_use, first_s, end_s FROM heater WHERE first_s IS NOT NULL ORDER BY name")
        else:
            rows = self.ask(
                "SELECT name, in_use, min(start_s), max(start_s + interval_s) FROM entry e "
                f"JOIN heater ON name = heater WHERE {_COUNTED.format('e')} GROUP BY name ORDER BY name",
                t=as_of_s,
            )
        return [HeaterSpan(name, bool(in_use), *self._dated(first_s, end_s)) for name, in_use, first_s, end_s in rows]


def _sums_sql(names: tuple[str, ...], of: str, one_sided: bool) -> str:
    made = {**_SUM_SQL, **(_ONE_SIDED_SQL if one_sided else {})}
    return ", ".join(made.get(name, f"sum({{0}}{name})").format(of) for name in names)

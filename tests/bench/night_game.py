"""The night game: play the planner over a home's half hours, and measure it against perfect foresight.

    python -m tests.bench.night_game CASE.toml … [--json] [--until TIME] [--decisions FOLDER]

CASE.toml: `readings` (a CSV beside it: `time`, UTC, the start of the half hour, `surplus_wh`, `drawn_wh`,
`import_price`, `export_price`), `timezone`, `capacity_wh`, `power_w`, `loss_per_half_hour` (share of the stock),
`boiler_price`, `start_wh`. Prices are money per kWh. In each half hour the stock keeps 1 − loss; the draw is served as
far as it goes and the rest is bought at the boiler price; then sun and grid are put in. Known then: this half hour's
surplus and draw, all earlier ones, and prices to the end of the local tomorrow. Heat left at the end beyond `start_wh`
is credited and what lacks is charged at the lesser of boiler price and cheapest import price; the planner is not aware
of the end.
"""

import argparse
import hashlib
import json
import sys
import time
from bisect import bisect_left
from dataclasses import asdict, dataclass
from datetime import UTC, datetime
from pathlib import Path

from rules.model.errors import BrimfulError
from rules.planning.planner import Planner
from rules.planning.policy import HalfHour
from tests.bench.night_case import Case, read_case
from tests.bench.night_rivals import Account, fixed, foresight


@dataclass(frozen=True, slots=True)
class Result:
    """Costs in money, energies in kWh.

    fixed: the best fixed setting in hindsight, named by fixed_level_pct and fixed_diverting; always: all sun diverted
    that the tank takes, no heat from the grid; bought_kwh: from the boiler, that is what the stock could not serve;
    seconds, slowest_decision_s: of processor time, for the whole play of the planner and for its slowest decision.
    """

    plan: float
    foresight: float
    fixed: float
    always: float
    bought_kwh: float
    seconds: float
    decisions_sha256: str
    days: float
    drawn_kwh: float
    fixed_level_pct: int
    fixed_diverting: str
    sun_kwh: float
    grid_kwh: float
    missing_half_hours: int
    slowest_decision_s: float


def play_plan(case: Case, planner: Planner | None = None) -> tuple[Account, list[str], float]:
    """The planner's play: its account, its decisions as lines of CSV, and how long the slowest took, s.

    planner: another one than the daemon's, fresh.
    """
    planner = planner or Planner(case.store)
    account, lines = Account(case), []
    half_hours = [HalfHour(r.day, r.weekday, r.slot, r.import_price, r.export_price) for r in case.rows]
    days = [row.day for row in case.rows]
    slowest = 0.0
    for at, row in enumerate(case.rows[: case.played]):
        account.serve(row)
        ahead = half_hours[at : bisect_left(days, row.day + 2)]
        began = time.process_time()
        decision = planner.decide(ahead, account.stock_wh, row.surplus_wh, row.drawn_wh)
        slowest = max(slowest, time.process_time() - began)
        account.put(row, decision.sun_wh, decision.grid_wh)
        lines.append(f"{row.start:%Y-%m-%dT%H:%M:%SZ},{decision.sun_wh:.3f},{decision.grid_wh:.3f}\n")
    return account, lines, slowest


def play(case: Case, decisions: Path | None = None, planner: Planner | None = None) -> Result:
    """The whole game. decisions: a folder for them; planner: as in `play_plan`."""
    began = time.process_time()
    account, lines, slowest = play_plan(case, planner)
    seconds = time.process_time() - began
    if decisions is not None:
        decisions.mkdir(parents=True, exist_ok=True)
        (decisions / f"{case.name}.csv").write_text("time,sun_wh,grid_wh\n" + "".join(lines), encoding="ascii")
    costs = fixed(case)
    (level_pct, always), least = min(costs.items(), key=lambda item: item[1])
    return Result(
        plan=account.settled,
        foresight=foresight(case),
        fixed=least,
        always=costs[0, True],
        bought_kwh=account.bought_wh / 1000,
        seconds=seconds,
        decisions_sha256=hashlib.sha256("".join(lines).encode()).hexdigest(),
        days=case.played / 48,
        drawn_kwh=sum(row.drawn_wh or 0.0 for row in case.rows[: case.played]) / 1000,
        fixed_level_pct=level_pct,
        fixed_diverting="always" if always else "when worth it",
        sun_kwh=account.sun_wh / 1000,
        grid_kwh=account.grid_wh / 1000,
        missing_half_hours=case.missing,
        slowest_decision_s=slowest,
    )


def meaningful_ratio(cost: float, of: float, case_kwh: float) -> float | None:
    """cost ÷ foresight's cost; None where that is below a cent per kWh drawn, so that a ratio says nothing."""
    return cost / of if of > 0.01 * case_kwh else None


def table(results: dict[str, Result]) -> str:
    """The results as a table, with the mean ratio over the cells where a ratio means something."""
    lines = [
        f"{'case':<32}{'days':>6}{'foresight':>11}{'plan':>9}{'÷':>7}{'fixed':>9}{'÷':>7}{'always':>9}"
        f"{'bought kWh':>12}{'s':>7}{'slowest s':>11}"
    ]
    ratios = []
    for name, r in results.items():
        plan, fixed_ratio = (meaningful_ratio(cost, r.foresight, r.drawn_kwh) for cost in (r.plan, r.fixed))
        if plan is not None:
            ratios.append(plan)
        lines.append(
            f"{name:<32}{r.days:>6.0f}{r.foresight:>11.2f}{r.plan:>9.2f}{_ratio(plan)}{r.fixed:>9.2f}{_ratio(fixed_ratio)}"
            f"{r.always:>9.2f}{r.bought_kwh:>12.1f}{r.seconds:>7.1f}{r.slowest_decision_s:>11.2f}"
            f"{'  ABOVE FIXED' if r.plan > r.fixed else ''}"
        )
    if ratios:
        lines.append(
            f"mean of plan ÷ foresight over {len(ratios)} of {len(results)} cases {sum(ratios) / len(ratios):.3f}, "
            f"highest {max(ratios):.3f}; "
            f"above the best fixed setting: {sum(r.plan > r.fixed for r in results.values())}"
        )
    return "\n".join(lines)


def _ratio(value: float | None) -> str:
    return f"{'–' if value is None else f'{value:.3f}':>7}"


def main(arguments: list[str] | None = None) -> int:
    parser = argparse.ArgumentParser(prog="night_game", description=(__doc__ or "").splitlines()[0])
    parser.add_argument("cases", nargs="+", metavar="CASE.toml", type=Path)
    parser.add_argument("--json", action="store_true", help="print the results as JSON")
    parser.add_argument(
        "--until", metavar="TIME", help="play only the half hours that start before this time (ISO 8601)"
    )
    parser.add_argument("--decisions", metavar="FOLDER", type=Path, help="write each case's decisions as CSV")
    asked = parser.parse_args(arguments)
    results: dict[str, Result] = {}
    try:
        until = None if asked.until is None else _until(asked.until)
        stems = [path.stem for path in asked.cases]
        for path in asked.cases:
            name = path.stem if stems.count(path.stem) == 1 else str(path)
            results[name] = play(read_case(path, until), asked.decisions)
    except BrimfulError as error:
        print(f"{error}", file=sys.stderr)
        return 2
    print(
        json.dumps({name: asdict(result) for name, result in results.items()}, indent=2)
        if asked.json
        else table(results)
    )
    return 0


def _until(text: str) -> datetime:
    try:
        time_ = datetime.fromisoformat(text)
    except ValueError:
        raise BrimfulError(
            "play the case", "--until", f"expected a time such as 2024-01-31T22:30:00Z, got {text!r}"
        ) from None
    return time_.replace(tzinfo=UTC) if time_.tzinfo is None else time_


if __name__ == "__main__":
    sys.exit(main())

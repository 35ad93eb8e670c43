"""study: the home's own rules on the twin of its tank, as it is and as it might be."""

import os
import sys
from collections.abc import Callable, Iterator
from contextlib import contextmanager
from datetime import datetime
from pathlib import Path
from typing import Any
from zoneinfo import ZoneInfo

import click

from accounting.model.journal import BATTERY, BOILER, SUN, is_grid
from accounting.reports.study_figures import CONFIDENCE, MWS_PER_WH, Figures
from daemon.cli.options import echo_json, echo_line, json_option
from daemon.config.load import load
from daemon.config.model import Home
from daemon.documents.fit_document import fit_answer, fit_sentences
from daemon.documents.study_document import Span, difference, homes_answer, study_answer
from daemon.simulation.study.comparison import Setting, Study, settings_of
from daemon.simulation.study.comparison import study as run_study
from daemon.simulation.study.many_homes import cluster_pool, study_homes
from rules.model.formatting import rounded_percent


@click.command()
@click.argument("arguments", metavar="HOME.toml READINGS [KEY=V1,V2 ...]", nargs=-1)
@click.option("--vary", multiple=True, metavar="KEY=V1,V2", help="A key of the home file and other values for it.")
@click.option("--people", type=click.FloatRange(0.5, 20), default=2.0, show_default=True, help="For the hot water.")
@click.option("--workers", type=click.IntRange(1, 256), help="Processes at once; one for each core unless given.")
@click.option(
    "--homes",
    metavar="FOLDER",
    type=click.Path(path_type=Path),
    help="Many homes: NAME.toml with NAME.csv beside it, or folders with home.toml and readings.csv.",
)
@click.option(
    "--into",
    metavar="ROWS.jsonl",
    type=click.Path(path_type=Path, dir_okay=False),
    help="With --homes: keep each row as it is made, and go on from there the next time.",
)
@click.option(
    "--cluster",
    metavar="ADDRESS",
    help="With --homes: the scheduler of a dask cluster whose workers see the same folder, or `local` for one here.",
)
@click.option(
    "--fit",
    is_flag=True,
    help="Fit the tank to the readings first (volume, loss, draws), say how sure that is, and study the fitted tank.",
)
@json_option
def study(
    arguments: tuple[str, ...],
    vary: tuple[str, ...],
    people: float,
    workers: int | None,
    homes: Path | None,
    into: Path | None,
    cluster: str | None,
    fit: bool,
    as_json: bool,
) -> None:
    """What other settings, prices or tanks would have done, over recorded days.

    READINGS is a CSV file (.csv or .csv.gz) with the columns `time`, `house_w` (without the water heater), `pv_w`, and
    `drawn_wh` or `water_l` (counters); without these, a published tapping profile scaled to --people. Also read:
    `battery_w`, `tank_level_pct`; `grid_w` in the place of house_w. Each row stands until the next. Or it is a ledger,
    for the minutes on its tape.

    KEY is a dotted key of the home file, as rules.full.stop_at_pct=80,90 or
    tariffs.export.periods.0.bands.all.price=0.15, or diverter=off, or battery=off. Several keys: all combinations.
    The tank is a model, and nobody lives in it: see what it leaves out in deploy/docs/books.md.
    """
    if fit and homes is not None:
        raise click.UsageError("--fit is for one home: --homes studies each as its home file states it")
    cores = workers if workers is not None else len(os.sched_getaffinity(0))
    if homes is not None:
        settings = settings_of([*vary, *arguments])
        with _progress() as progress, cluster_pool(cluster, cores) as pool:
            rows = study_homes(homes, settings, people=people, workers=cores, into=into, progress=progress, pool=pool)
        if as_json:
            echo_json(homes_answer(rows))
        else:
            _show_homes(homes_answer(rows))
        sys.exit(1 if any("error" in row for row in rows) else 0)
    if into is not None or cluster is not None:
        raise click.UsageError(f"--{'into' if into is not None else 'cluster'} needs --homes")
    if len(arguments) < 2:
        raise click.UsageError("expected HOME.toml and READINGS, or --homes FOLDER")
    home_file, readings = Path(arguments[0]), Path(arguments[1])
    settings = settings_of([*vary, *arguments[2:]])
    home = load(home_file)
    with _progress() as progress:
        found = run_study(home_file, readings, settings, people=people, workers=cores, fit=fit, progress=progress)
    if as_json:
        about = home.home
        answer = study_answer(
            about.name, about.currency, _span(found), settings, found.figures, found.notes, found.estimate_kwh
        )
        if found.fitted is not None:
            answer["fit"] = fit_answer(found.fitted)
        echo_json(answer)
    else:
        _show(found, home)


def _show_homes(answer: dict[str, Any]) -> None:
    """A line for each variant: how the homes' differences spread; then the homes that failed."""
    click.echo(f"{answer['studied']} homes studied, {answer['failed']} failed")
    click.echo()
    names = [_name(each["set"]) for each in answer["summary"]]
    width = min(max(map(len, names), default=0), 44)
    click.echo(f"{'more than as it is: cost':<{width}}{'tenth':>12}{'half':>12}{'nine tenths':>12}{'homes':>8}")
    for name, each in zip(names, answer["summary"], strict=True):
        against = each["cost_against_first"]
        shown = "".join(f"{against[key]:>+12.2f}" for key in ("p10", "p50", "p90")) if against else f"{'unpriced':>36}"
        click.echo(f"{name:<{width}}{shown}{each['homes']:>8}")
    for row in answer["homes"]:
        if "error" in row:
            click.echo(f"{row['name']}: {row['error']}", err=True)


def _span(found: Study) -> Span:
    recording = found.recording
    return Span(recording.from_s, recording.to_s, recording.step_s, recording.left_out_s, found.block)


@contextmanager
def _progress() -> Iterator[Callable[[str, float], None]]:
    """A bar that says how far the study has come, on a terminal only."""
    if not sys.stderr.isatty():
        yield lambda what, done: None
        return
    from rich.console import Console
    from rich.progress import BarColumn, Progress, TextColumn, TimeElapsedColumn

    columns = (TextColumn("{task.description}"), BarColumn(), TimeElapsedColumn())
    with Progress(*columns, console=Console(stderr=True), transient=True) as bar:
        task = bar.add_task("reading", total=1.0)
        yield lambda what, done: bar.update(task, description=what, completed=done)


def _show(found: Study, home: Home) -> None:
    recording, first = found.recording, found.figures[0]
    zone = ZoneInfo(home.home.timezone)
    start, end = (datetime.fromtimestamp(at_s, zone) for at_s in (recording.from_s, recording.to_s))
    click.echo(f"{home.home.name}: a study of {start:%Y-%m-%d %H:%M} to {end:%Y-%m-%d %H:%M}")
    click.echo()
    names = [_name(setting) for setting in found.settings]
    width = min(max(map(len, names)), 40)
    ranged = f"{rounded_percent(CONFIDENCE)} range"
    click.echo(f"{'':<{width}}{home.home.currency:>10}{'more than first':>17}{ranged:>19}{'kg CO2e':>10}")
    for name, each in zip(names, found.figures, strict=True):
        against = difference(each, first)
        more = "" if each is first or against["cost"] is None else f"{against['cost']:+.2f}"
        span = "" if each is first or against["low"] is None else f"{against['low']:+.2f} to {against['high']:+.2f}"
        cost = "" if each.cost_micro is None else f"{each.cost_micro / 1e6:.2f}"
        kg = "" if each.co2_mg is None else f"{each.co2_mg / 1e6:.1f}"
        click.echo(f"{name:<{width}}{cost:>10}{more:>17}{span:>19}{kg:>10}")
    click.echo()
    click.echo("Heat in, kWh, and what became of it:")
    heads = ("sun", "grid", "battery", "boiler", "drawn", "lost", "short", "cold min", "switched")
    click.echo(f"{'':<{width}}" + "".join(f"{head:>9}" for head in heads))
    for name, each in zip(names, found.figures, strict=True):
        click.echo(f"{name:<{width}}" + "".join(f"{figure:>9}" for figure in _figures(each)))
    click.echo()
    echo_line(
        "Cost: import bill less export income, with the boiler's fuel; without standing charges and hardware. The range"
        f" shows how far a difference hangs on single {found.block}s of this recording; it holds nothing of other"
        " years, nor of what the model misses of the tank."
    )
    if found.estimate_kwh is not None:
        sun_kwh = first.heat.get(SUN, 0) / MWS_PER_WH / 1000
        echo_line(
            f"As it is, {sun_kwh:.0f} kWh of sun; a monthly method (SAP 10.2, appendices M and G4), which knows no"
            f" minute, tank, rule or price, says {found.estimate_kwh:.0f}."
        )
    if found.fitted is not None:
        for sentence in fit_sentences(found.fitted):
            echo_line(sentence)
    for note in found.notes:
        echo_line(note)


def _figures(each: Figures) -> list[str]:
    heat = each.heat
    grid = sum(mws for source, mws in heat.items() if is_grid(source))
    energies = (heat.get(SUN, 0), grid, heat.get(BATTERY, 0), heat.get(BOILER, 0), each.drawn, each.lost, each.short)
    shown = [f"{mws / MWS_PER_WH / 1000:.0f}" for mws in energies]
    return [*shown, f"{each.cold_s / 60:.0f}", f"{each.switchings}"]


def _name(setting: Setting) -> str:
    return ", ".join(f"{key}={value}" for key, value in setting.items()) or "as it is"

"""All jobs and all commands of a running house, a line each. Who adds one adds its module, and its line here."""

from functools import partial

from daemon.planning import nightly
from daemon.recording import backups, restatement_queue
from daemon.recording.owner_notes import note_of
from daemon.recording.restatement_queue import read_restate
from daemon.runtime.handlers.notes import Notes, read_withdrawal
from daemon.runtime.handlers.override import Overriding, read_override
from daemon.runtime.handlers.resending import Resending, read_resend
from daemon.runtime.handlers.restating import RestateCommands
from daemon.runtime.handlers.rule import Rules, read_change
from daemon.runtime.parts import Parts
from daemon.runtime.registry import Command, Commands, Job, Jobs, question
from daemon.timing.schedule import every

PRICES_S = 60.0
"""How often it is looked whether prices published ahead are to be fetched."""
COMPARISON_S = 600.0
"""How often it is looked whether the order of a fair comparison is written down."""
AT_START = ("prices", "restate", "comparison", "plan")
"""Jobs that are asked for at the start."""


def jobs(parts: Parts) -> Jobs:
    """The jobs. Those of one instant are done in this order."""
    home, controller, work = parts.home_file.home, parts.controller, parts.housekeeping
    side = partial(Job, side=True)
    refresh_s = min(heater.refresh_s for heater in home.heaters.values())
    return Jobs(
        [
            Job("settle", controller.settle, every(60)),
            Job("refresh", controller.refresh, every(refresh_s)),
            Job("publish", controller.look_round, every(60)),
            side("ship", work.ship, every(15)),
            Job("flush", controller.flush, every(home.ledger.flush_s)),
            side("reload", parts.home_file.look, every(5)),
            side("prune", work.prune, every(6 * 3600)),
            side("past", work.look_back, every(3600)),
            side("restate", work.look_for_restatements, every(restatement_queue.LOOK_S)),
            side(restatement_queue.GO_ON, work.restate),
            side("comparison", work.write_comparison, every(COMPARISON_S)),
            side("backup", work.back_up, every(backups.LOOK_S) if parts.backups is not None else None),
            side(backups.BACKED_UP, work.backed_up),
            side("prices", work.look_for_prices, every(PRICES_S) if home.fed else None),
            side("plan", parts.following.look, every(nightly.LOOK_S)),
            side(nightly.PLANNED, parts.following.take),
            side("show", parts.publishing.show),
        ]
    )


def commands(parts: Parts) -> Commands:
    """What the API and the page may ask; the API's paths to them are in `daemon.web.site.application`."""
    controller, home_file, questions = parts.controller, parts.home_file, parts.questions
    rules, notes = Rules(home_file), Notes(controller)
    restating = RestateCommands(parts.engine, parts.restater, home_file)
    return Commands(
        [
            question("why", questions.why),
            question("health", questions.health),
            question("written", questions.written),
            question("rules", rules.show),
            question("restating", restating.progress),
            Command("rule", read_change, rules.change),
            Command("override", read_override, Overriding(controller, home_file).do),
            Command("note", note_of, notes.write),
            Command("withdraw", read_withdrawal, notes.withdraw),
            Command("resend", read_resend, Resending(controller, home_file).do),
            Command("restate", read_restate, restating.do),
        ]
    )

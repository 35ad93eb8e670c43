"""The commands, each loaded only when it is asked for, so that a question is answered at once."""

import sys
from collections.abc import Sequence
from importlib import import_module
from importlib.metadata import version
from typing import TYPE_CHECKING

import click

from daemon.cli.ownership import refuse_strangers
from rules.model.errors import BrimfulError

if TYPE_CHECKING:
    from click.shell_completion import CompletionItem

COMMANDS = {
    "demo": ("daemon.cli.run", "try it: a simulated house over real MQTT, with its books"),
    "run": ("daemon.cli.run", "run the daemon"),
    "check": ("daemon.cli.check", "check configuration, broker, signals and database"),
    "listen": ("daemon.cli.listen", "show what the broker carries, and start a home file from it"),
    "why": ("daemon.cli.control", "what the heater was ordered and why, and what would change it"),
    "rule": ("daemon.cli.control", "show or set a rule"),
    "override": ("daemon.cli.control", "give the heater an order for a while"),
    "value": ("daemon.cli.value", "what the diverted energy was worth"),
    "restate": ("daemon.cli.restate", "value settled intervals again, and show what changed"),
    "reconcile": ("daemon.cli.reconcile", "compare the time-series database with the ledger; repair or rebuild it"),
    "bills": ("daemon.cli.bills", "compare a supplier's bills with what was recorded"),
    "export": ("daemon.cli.export", "write the journal as CSV or JSON lines, or the whole ledger as one text file"),
    "backup": ("daemon.cli.backup", "make a verified copy of the ledger, also while the daemon runs"),
    "restore": ("daemon.cli.backup", "put a backup in the ledger's place"),
    "verify": ("daemon.cli.backup", "check the whole ledger"),
    "verdict": ("daemon.cli.verdict", "was it worth it? measured, modelled, break-even, pay-back"),
    "plan": ("daemon.cli.plan", "tonight's top-up: how much, when, at what cost, and why"),
    "stock": ("daemon.cli.stock", "where the heat in the tank came from and where it went"),
    "password": ("daemon.cli.password", "set the password of the page"),
    "replay": ("daemon.cli.replay", "run the rules and the books over recorded readings"),
    "study": ("daemon.cli.study", "what other settings, prices or tanks would have done, on a model tank"),
    "completion": ("daemon.cli.completion", "print the script for tab completion in a shell"),
    "man": ("daemon.cli.completion", "print the manual page"),
}


_MENDED = "make it anew: remove its environment (.venv beside deploy/, or $BRIMFUL_VENV) and run deploy/start"


class Commands(click.Group):
    """A group that knows its commands' names and one line about each without importing them."""

    def list_commands(self, ctx: click.Context) -> list[str]:
        return list(COMMANDS)

    def get_command(self, ctx: click.Context, cmd_name: str) -> click.Command | None:
        if cmd_name not in COMMANDS:
            return None
        command: click.Command = getattr(import_module(COMMANDS[cmd_name][0]), cmd_name)
        return command

    def shell_complete(self, ctx: click.Context, incomplete: str) -> "list[CompletionItem]":
        from click.shell_completion import CompletionItem  # a shell asks seldom, and waits for it

        named = ((name, about) for name, (_, about) in COMMANDS.items() if name.startswith(incomplete))
        return [CompletionItem(name, help=about) for name, about in named] or super().shell_complete(ctx, incomplete)

    def format_commands(self, ctx: click.Context, formatter: click.HelpFormatter) -> None:
        with formatter.section("Commands"):
            formatter.write_dl([(name, about) for name, (_, about) in COMMANDS.items()])


@click.group(cls=Commands, context_settings={"help_option_names": ["-h", "--help"], "max_content_width": 80})
@click.version_option(version("brimful"), prog_name="brimful")
def commands() -> None:
    """Stops solar diversion when the hot-water tank is full, and keeps exact books of what each diverted kWh was worth.

    It is no safety device: the tank's thermostat and its manual-reset cut-out stay in charge.
    """


def main(arguments: Sequence[str] | None = None) -> None:
    """Run the command line and exit."""
    try:
        refuse_strangers()
        commands.main(arguments, prog_name="brimful", standalone_mode=False)
    except click.exceptions.Exit as ended:
        sys.exit(ended.exit_code)
    except click.Abort:
        sys.exit(130)
    except click.ClickException as wrong:
        wrong.show()
        sys.exit(2)
    except BrimfulError as error:
        click.echo(str(error), err=True)
        sys.exit(2)
    except KeyboardInterrupt:
        sys.exit(130)
    except BrokenPipeError:
        sys.stderr.close()
        sys.exit(0)
    except ImportError as missing:  # parts of the environment are gone
        lacking = missing.name or str(missing)
        click.echo(f"brimful: this installation is damaged, {lacking} cannot be loaded; {_MENDED}", err=True)
        sys.exit(2)
    except OSError as refused:  # a folder that may not be entered, a disk that is full
        click.echo(f"{refused.filename or 'this machine'}: {refused.strerror or refused}", err=True)
        sys.exit(2)

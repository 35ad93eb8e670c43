"""The reference documents, each made from what the program itself goes by.

`python -m daemon.cli.reference` writes them into deploy/docs/reference; tests/unit/daemon/cli/test_reference.py holds
them to be current.
"""

import os
from collections.abc import Iterator, Mapping, Sequence
from pathlib import Path
from types import MappingProxyType

import click

from daemon.cli.main import COMMANDS, commands
from daemon.config.model import PRICE_SIGNALS
from daemon.config.reference import home_file_reference
from daemon.documents.alarm_guide import ALARM_GUIDES, PART_GUIDES, AlarmGuide
from rules.model.signals import SIGNALS

FOLDER = Path(__file__).parents[2] / "deploy" / "docs" / "reference"
"""Where they stand in a checkout."""
_WIDTH = 100
_MADE = "Made by `python -m daemon.cli.reference` from the program itself; do not edit it.\n"


def documents() -> Mapping[str, str]:
    """Every reference document as Markdown, by its file name."""
    return MappingProxyType(
        {
            "home-file.md": home_file_reference(),
            "signals.md": _signals(),
            "commands.md": _commands(),
            "alarms.md": _alarms(),
        }
    )


def command_tree(
    command: click.Command = commands, name: str = "brimful", parent: click.Context | None = None
) -> Iterator[click.Context]:
    """A command and all that stand below it, each as the context in which its help is made."""
    settings = {**command.context_settings, "max_content_width": _WIDTH, "terminal_width": _WIDTH}
    context = click.Context(command, parent, name, **settings)
    yield context
    if isinstance(command, click.Group):
        for below in command.list_commands(context):
            inner = command.get_command(context, below)
            assert inner is not None
            yield from command_tree(inner, below, context)


def _commands() -> str:
    lines = ["# The commands", "", _MADE, "In short:", "", "| command | what it is for |", "|---|---|"]
    lines += [f"| [`brimful {name}`](#brimful-{name}) | {about} |" for name, (_, about) in COMMANDS.items()]
    lines += [
        "",
        "A question takes `--home HOME.toml`; without it `$BRIMFUL_HOME` counts, else `home.toml` in the folder you",
        "are in. Results go to stdout, the rest to stderr. A command ends with 0 if all is well, 1 if a check failed,",
        "2 if the command or the home file is wrong.",
        "",
    ]
    for context in command_tree():
        lines += [f"## {context.command_path}", "", "```text", context.get_help().rstrip(), "```", ""]
    return "\n".join(lines)


def _signals() -> str:
    lines = [
        "# The signals",
        "",
        _MADE,
        "A signal is a quantity that the house reports. Its name ends in its unit. A reading outside the bounds is",
        "refused. One with a star may be reported for one heater, by the suffix `_HEATER`: `diverted_wh_upper` for a",
        "heater `upper`. A gauge is a value of the moment, a counter counts up, a price holds until the next.",
        "",
        "| signal | kind | unit | lowest | highest | meaning |",
        "|---|---|---|---|---|---|",
    ]
    for signal in SIGNALS.values():
        star = " *" if signal.per_heater else ""
        bounds = f"{signal.lowest:g} | {signal.highest:g}"
        lines.append(f"| `{signal.name}`{star} | {signal.kind} | {signal.unit} | {bounds} | {signal.about} |")
    priced = ", ".join(f"`{name}`" for name in SIGNALS if name in PRICE_SIGNALS)
    lines += [
        "",
        "A reading counts for 60 s unless `stale_after_s` says otherwise. Signals of the tank count for 900 s, and",
        f"{priced} for 3,600 s.",
        "",
    ]
    return "\n".join(lines)


def _alarms() -> str:
    lines = [
        "# The alarms",
        "",
        _MADE,
        "An alarm is raised once when it begins and once when it ends, and at most once an hour. It stands on the",
        "page, in `brimful check`, and goes to every `[[alerts]]` of the home file. Words in capitals stand for a name",
        "of yours.",
        "",
        *_guides(ALARM_GUIDES),
        "",
        "Parts of the daemon that can be at fault reach the alerts under these names:",
        "",
        *_guides(PART_GUIDES),
        "",
    ]
    return "\n".join(lines)


def _guides(guides: Sequence[AlarmGuide]) -> list[str]:
    rows = [f"| `{guide.name}` | {guide.means} | {guide.do} |" for guide in guides]
    return ["| name | what it means | what to do |", "|---|---|---|", *rows]


def main() -> None:
    """Write them."""
    FOLDER.mkdir(parents=True, exist_ok=True)
    for name, text in documents().items():
        (FOLDER / name).write_text(text, encoding="utf-8")
        click.echo(f"wrote {FOLDER.name}/{name}", err=True)


if __name__ == "__main__":
    os.environ.pop("BRIMFUL_HOME", None)
    main()

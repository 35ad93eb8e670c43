"""A command line as a manual page (man(7) macros), made from its parser, so that the two never differ."""

import re
from collections.abc import Iterator

import click

_FILES = (
    ("home.toml", "The home file: what is heard, the orders that are sent, the rules, the prices."),
    ("brimful.sqlite", "The ledger, beside the home file unless it says otherwise."),
    ("backups/", "Verified copies of the ledger, beside it."),
)
_ENVIRONMENT = (
    ("BRIMFUL_HOME", "The home file where none is named."),
    ("BRIMFUL_BROKER_PASSWORD", "The broker's password, in place of broker.password_file."),
    ("BRIMFUL_TIMESERIES_TOKEN, BRIMFUL_TIMESERIES_PASSWORD", "The time-series database's."),
    ("BRIMFUL_PAGE_PASSWORD_HASH", "The hash of the page's password, in place of api.password_file."),
    ("NO_COLOR", "Without colour."),
)
_EXIT = (
    ("0", "All is well."),
    ("1", "A check failed, or something is unhealthy."),
    ("2", "The command line or the configuration is wrong."),
)
_CAUTIONS = (
    "Hot water, mains electricity and pressure can hurt. brimful is no safety device: it ranks below the tank's "
    "control thermostat, and that below its manual-reset cut-out, and it replaces neither. Unvented cylinders and "
    "mains work are for a qualified installer or electrician."
)


def man_page(group: click.Group, name: str, version: str) -> str:
    """The page of a group and its commands, section 1."""
    context = click.Context(group, info_name=name, **group.context_settings)
    lines = [
        f'.TH {name.upper()} 1 "" "{name} {version}" "User commands"',
        ".SH NAME",
        f"{name} \\- {_plain(_first_sentence(group))}",
        ".SH SYNOPSIS",
        f".B {name}",
        ".I COMMAND",
        "[options] [arguments]",
        ".SH DESCRIPTION",
        *_paragraphs(group.help or ""),
        ".SH COMMANDS",
    ]
    for command_name in group.list_commands(context):
        command = group.get_command(context, command_name)
        if command is not None:
            lines += _command(
                command, click.Context(command, context, info_name=command_name), f"{name} {command_name}"
            )
    for title, pairs in (("FILES", _FILES), ("ENVIRONMENT", _ENVIRONMENT), ("EXIT STATUS", _EXIT)):
        lines.append(f".SH {title}")
        for term, about in pairs:
            lines += [".TP", f".B {_plain(term)}", _plain(about)]
    lines += [".SH CAUTIONS", _plain(_CAUTIONS)]
    return "\n".join(lines) + "\n"


def _command(command: click.Command, context: click.Context, called: str) -> Iterator[str]:
    arguments = [
        param.make_metavar(context) for param in command.get_params(context) if isinstance(param, click.Argument)
    ]
    yield f".SS {_plain(' '.join((called, *arguments)))}"
    yield from _paragraphs(command.help or "")
    for param in command.get_params(context):
        record = param.get_help_record(context) if isinstance(param, click.Option) else None
        if record is not None:
            yield ".TP"
            yield f".B {_plain(record[0])}"
            yield _plain(record[1])


def _first_sentence(group: click.Group) -> str:
    text = " ".join((group.help or "").split())
    return text.partition(". ")[0].rstrip(".")


def _paragraphs(text: str) -> Iterator[str]:
    for number, paragraph in enumerate(re.split(r"\n\s*\n", text.strip())):
        if number:
            yield ".PP"
        yield _plain(" ".join(paragraph.split()))


def _plain(text: str) -> str:
    """Text as roff takes it: backslashes and hyphens kept as they are, and no line that begins like a request."""
    escaped = text.replace("\\", "\\e").replace("-", "\\-")
    return f"\\&{escaped}" if escaped.startswith((".", "'")) else escaped

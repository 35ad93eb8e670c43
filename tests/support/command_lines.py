"""The command line as its parser has it, and the commands that a text shows."""

import re
from collections.abc import Iterator
from pathlib import Path

import click

from daemon.cli.main import commands

_SHOWN = re.compile(r"(?:^ {4,}|`|; )brimful ([^`\n]*)", re.M)
_WRAPPED = re.compile(r"`[^`]*`", re.S)


def every_command() -> Iterator[tuple[str, click.Command]]:
    """Each command by its name, those of groups with the group's before it."""
    context = click.Context(commands, info_name="brimful", **commands.context_settings)
    yield "brimful", commands
    for name in commands.list_commands(context):
        command = commands.get_command(context, name)
        assert command is not None, name
        yield f"brimful {name}", command
        if isinstance(command, click.Group):
            for inner in command.list_commands(context):
                found = command.get_command(context, inner)
                assert found is not None, inner
                yield f"brimful {name} {inner}", found


def shown_commands(text: str) -> list[str]:
    """The lines of `brimful …` that a document shows, in code blocks and in running text, without their comments."""
    whole = _WRAPPED.sub(lambda code: " ".join(code.group().split()), text)
    return [found.partition(" #")[0].strip() for found in _SHOWN.findall(whole)]


def wrong_in(line: str, known: dict[str, click.Command]) -> str:
    """What a shown command line has that the parser does not; "" if nothing."""
    words = line.split()
    if not words or not words[0].islower() or not words[0].isalpha():
        return ""  # "brimful HOME.toml" in a sentence is no command
    name = f"brimful {words[0]}"
    if len(words) > 1 and f"{name} {words[1]}" in known:
        name = f"{name} {words[1]}"
    if name not in known:
        return f"no command {words[0]}"
    context = click.Context(known[name], **commands.context_settings)
    taken = {opt for param in known[name].get_params(context) for opt in (*param.opts, *param.secondary_opts)}
    lacking = [word for word in re.findall(r"(?<!\S)--?[a-z][a-z-]*", line) if word not in taken]
    return f"no option {', '.join(lacking)}" if lacking else ""


README = Path(__file__).parents[2] / "README.md"

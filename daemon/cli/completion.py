"""completion and man: what a shell and a reader need of the command line, made from the parser itself."""

import click

_SHELLS = ("bash", "zsh", "fish")
_VARIABLE = "_BRIMFUL_COMPLETE"
"""What the scripts set to ask `brimful` for completions; click looks for it by this name."""


@click.command()
@click.argument("shell", type=click.Choice(_SHELLS))
def completion(shell: str) -> None:
    """Print the script by which a shell completes brimful's commands and options.

    For bash it goes into ~/.local/share/bash-completion/completions/brimful, for zsh into a file _brimful in a folder
    of $fpath, for fish into ~/.config/fish/completions/brimful.fish.
    """
    from click.shell_completion import get_completion_class

    from daemon.cli.main import commands

    made = get_completion_class(shell)
    assert made is not None  # click knows all three
    script = made(commands, {}, "brimful", _VARIABLE)
    click.echo(script.source_template % script.source_vars())


@click.command()
def man() -> None:
    """Print the manual page. To install it: brimful man > /usr/local/share/man/man1/brimful.1"""
    from importlib.metadata import version

    from daemon.cli.main import commands
    from daemon.cli.man_page import man_page

    click.echo(man_page(commands, "brimful", version("brimful")), nl=False)

"""password: sets the page's password, of which only a hash is kept."""

import sys
from pathlib import Path

import click

from daemon.config.load import load
from daemon.config.replacing import put_file
from rules.model.errors import BrimfulError

OP = "set the page's password"


@click.command()
@click.argument("home_file", metavar="HOME.toml", type=click.Path(path_type=Path))
def password(home_file: Path) -> None:
    """Set the password of the page, without which nothing can be changed there.

    It is asked for twice, or, where there is no terminal, read from the first line of the standard input. Its hash goes
    into the file that [api] password_file names.
    """
    from daemon.web.server.accounts import SHORTEST_PASSWORD
    from daemon.web.server.password_hash import LONGEST_PASSWORD, hashed

    home = load(home_file)
    named = home.api.password_file
    if named is None:
        cause = f"expected the name of a file for the hash, got none ({home_file.name})"
        raise BrimfulError(OP, "api.password_file", cause, 'add under [api]: password_file = "page-password"')
    password_typed = _asked() if sys.stdin.isatty() else sys.stdin.readline().removesuffix("\n").removesuffix("\r")
    if not SHORTEST_PASSWORD <= len(password_typed) <= LONGEST_PASSWORD:
        cause = f"expected {SHORTEST_PASSWORD} to {LONGEST_PASSWORD} characters, got {len(password_typed)}"
        raise BrimfulError(OP, "password", cause, "several words are easy to remember and hard to guess")
    try:
        hash_line = hashed(password_typed)
    except UnicodeEncodeError:
        raise BrimfulError(OP, "password", "expected text, got bytes that are none in this locale") from None
    file = home.path_of(named)
    try:
        put_file(file, f"{hash_line}\n".encode(), 0o600, like=home_file.stat())
    except OSError as refused:
        cause = f"expected a file that can be written, got {refused.strerror}"
        raise BrimfulError(OP, str(file), cause, "see api.password_file") from refused
    click.echo(f"password set, its hash is in {file}; a running daemon takes it at its next start")


def _asked() -> str:
    password_typed: str = click.prompt("Password", hide_input=True, err=True)
    if click.prompt("Again", hide_input=True, err=True) != password_typed:
        raise BrimfulError(OP, "password", "expected the same twice, got two different ones", "try again")
    return password_typed

"""What deploy/install and deploy/upgrade ask of an environment's Python; run by them alone, as the daemon's user.

    path HOME             the ledger of a home file
    schema LEDGER         its schema's number, 0 where there is no ledger
    migrate LEDGER        brings it up to this version's schema; the older one stays beside it
    place HOME FOLDER     the home file's text with its ledger in that folder

Exit 2 and one line on stderr where that is not possible.
"""

import sqlite3
import sys
from pathlib import Path


def path(home: str) -> str:
    from daemon.config.load import load

    loaded = load(Path(home))
    return str(loaded.path_of(loaded.ledger.path))


def schema(ledger: str) -> str:
    """Works without the project, so that a version that does not start can be taken back."""
    if not Path(ledger).exists():
        return "0"
    db = sqlite3.connect(f"{Path(ledger).absolute().as_uri()}?mode=ro", uri=True)
    try:
        return str(db.execute("PRAGMA user_version").fetchone()[0])
    finally:
        db.close()


def migrate(ledger: str) -> str:
    import os

    from accounting.ledger.opening import open_writing

    db, lock = open_writing(Path(ledger))
    db.close()
    os.close(lock)
    return schema(ledger)


def place(home: str, folder: str) -> str:
    """A ledger that the file places by an absolute path stays where it is."""
    import tomlkit

    document = tomlkit.parse(Path(home).read_text(encoding="utf-8"))
    table = document.setdefault("ledger", tomlkit.table())
    named = Path(table.get("path", "brimful.sqlite"))
    if not named.is_absolute():
        table["path"] = str(Path(folder) / named.name)
        table["path"].comment("put here by deploy/install")
    return tomlkit.dumps(document).rstrip("\n")


def main(arguments: list[str]) -> int:
    tools = {tool.__name__: tool for tool in (path, schema, migrate, place)}
    try:
        print(tools[arguments[0]](*arguments[1:]))
    except Exception as error:  # a person reads it, whatever it was
        print(error or type(error).__name__, file=sys.stderr)
        return 2
    return 0


if __name__ == "__main__":
    sys.exit(main(sys.argv[1:]))

"""What the home file's tables and keys are, as the page says it: the descriptions that stand in the code."""

from collections.abc import Iterator, Mapping

from daemon.config.rule_tables import TABLES
from daemon.config.schema import descriptions
from daemon.config.values import Table
from rules.model.wording import say


def about_table(table: type[Table]) -> str:
    """What a table is for."""
    return _text(table.__doc__ or "")


def about_keys(table: type[Table]) -> Mapping[str, str]:
    """What each of its keys is, by the name of its field."""
    return {name: _text(about) for name, about in descriptions(table).items()}


def texts() -> Iterator[str]:
    """All of the rules' tables: for the catalogs, which cannot find them as they find what `say` is called with."""
    for table in TABLES.values():
        yield about_table(table)
        yield from about_keys(table).values()


def _text(description: str) -> str:
    template = " ".join(description.split()).replace("{", "{{").replace("}", "}}")
    return say(template)

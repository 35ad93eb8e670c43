"""The names `rules`, `accounting` and `daemon` are common ones: make sure that they are ours before anything runs.

Another distribution in the same environment, or a directory on PYTHONPATH, can stand in front of ours; its code must
not decide about a heater. Import this module before any other of the three packages.
"""

import sys
from collections.abc import Iterable
from importlib import import_module

_HINT = "give brimful an environment of its own (deploy/start makes one) and look at PYTHONPATH"

try:
    from rules.model.errors import BrimfulError
except ImportError:  # then `rules` is so strange that not even our error can be had from it
    print(f"package rules: expected brimful's own, found another project's or none; {_HINT}", file=sys.stderr)
    raise SystemExit(2) from None

PACKAGES = ("rules", "accounting", "daemon")
"""The top-level packages, each of which carries `__project__ = "brimful"`."""


def refuse_strangers(names: Iterable[str] = PACKAGES) -> None:
    """Raise BrimfulError if a package of one of these names, as Python finds it, is missing or not brimful's."""
    for name in names:
        subject = f"package {name}"
        try:
            package = import_module(name)
        except ImportError as error:
            raise BrimfulError("start", subject, f"expected brimful's own, found none ({error})", _HINT) from error
        if getattr(package, "__project__", None) != "brimful":
            place = getattr(package, "__file__", None) or ", ".join(getattr(package, "__path__", ()))
            raise BrimfulError("start", subject, f"expected brimful's own, found another project's ({place})", _HINT)

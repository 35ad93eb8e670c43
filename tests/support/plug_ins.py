"""Plug-ins that are installed for one test: their folder on the path, with the entry points of their pyproject.toml."""

import sys
import tomllib
from collections.abc import Iterator, Mapping
from contextlib import AbstractContextManager, contextmanager
from pathlib import Path

EXAMPLES = Path(__file__).parents[2] / "deploy" / "examples"


@contextmanager
def installed(
    folder: Path, entry_points: Mapping[str, Mapping[str, str]], modules: Mapping[str, str]
) -> Iterator[None]:
    """These modules (by name, their text) in `folder`, found by these entry points (by group, by name)."""
    for name, text in modules.items():
        (folder / f"{name}.py").write_text(text)
    about = folder / "plug_in-1.0.dist-info"
    about.mkdir()
    (about / "METADATA").write_text("Metadata-Version: 2.1\nName: plug-in\nVersion: 1.0\n")
    lines = [
        line for group, points in entry_points.items() for line in (f"[{group}]", *map(" = ".join, points.items()))
    ]
    (about / "entry_points.txt").write_text("\n".join(lines))
    sys.path.insert(0, str(folder))
    try:
        yield
    finally:
        sys.path.remove(str(folder))
        for name in modules:
            sys.modules.pop(name, None)


def example(folder: Path, name: str) -> AbstractContextManager[None]:
    """An example of deploy/examples, installed."""
    about = tomllib.loads((EXAMPLES / name / "pyproject.toml").read_text())
    modules = {
        module: (EXAMPLES / name / f"{module}.py").read_text() for module in about["tool"]["setuptools"]["py-modules"]
    }
    return installed(folder, about["project"]["entry-points"], modules)

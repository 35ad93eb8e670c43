"""A folder that stands for a machine, on which deploy/install, upgrade and uninstall are tried.

Everything is real but three things: the packages are the tests' own instead of those of the lock, so that no registry
is needed; the service manager is a script that writes down what it was asked for; and root and the user brimful are
whoever runs the tests.
"""

import atexit
import os
import shutil
import subprocess
import sys
import tempfile
from collections.abc import Mapping
from functools import cache
from pathlib import Path
from types import MappingProxyType

from tests.support.homes import SMALL

REPO = Path(__file__).parents[2]
CODE = ("rules", "accounting", "daemon")
SCRIPTS = ("install", "upgrade", "uninstall", "system.sh", "environment.sh", "ledger_tool.py", "brimful.service")
DATA = ("requirements.lock", "home.example.toml", "home.schema.json")

PYTHON = rf"""#!/bin/bash
# Stands in for the Python that makes environments, and for the one in them.
own=$(dirname -- "$(dirname -- "$0")")/site
case "$*" in
"-m venv "*)
    mkdir -p "${{@: -1}}/bin" && cp "$0" "${{@: -1}}/bin/python"
    ;;
*"pip install "*--require-hashes*) [ -z "${{NO_PACKAGES-}}" ] || {{ echo "no such package" >&2; exit 1; }} ;;
*"pip install "*)
    rm -rf "$own" && mkdir "$own" && cp -R "${{@: -1}}"/rules "${{@: -1}}"/accounting "${{@: -1}}"/daemon "$own"
    printf '#!/bin/bash\nexec "%s/python" -c "from daemon.cli import main; main()" "$@"\n' "$(dirname "$0")" \
        >"$(dirname "$0")/brimful"
    chmod 755 "$(dirname "$0")/brimful"
    ;;
*) PYTHONPATH=$own exec {sys.executable} "$@" ;;
esac
"""

SYSTEMCTL = r"""#!/bin/bash
# Stands in for the service manager: `running` beside it is there while the service runs.
here=$(dirname -- "$0")
echo "$*" >>"$here/asked"
case "$*" in
is-active*) [ -e "$here/running" ] ;;
start*)
    if [ -e "$here/fail-starts" ]; then rm "$here/fail-starts"; exit 1; fi
    touch "$here/running"
    ;;
stop* | disable*) rm -f "$here/running" ;;
esac
"""


@cache
def _compiled() -> Path:
    """A copy of the code with byte code that holds whatever the copies' times, as many programs start here."""
    folder = Path(tempfile.mkdtemp(prefix="compiled-"))
    atexit.register(shutil.rmtree, folder)
    for part in CODE:
        shutil.copytree(REPO / part, folder / part, ignore=shutil.ignore_patterns("__pycache__"))
    command = [sys.executable, "-m", "compileall", "-q", "--invalidation-mode", "unchecked-hash", *CODE]
    subprocess.run(command, cwd=folder, check=True, timeout=300)
    return folder


class Machine:
    """root: what the scripts take for /. The folders of two versions of the project are beside it."""

    def __init__(self, folder: Path) -> None:
        self.root = folder / "the machine"  # a space: people's paths have some
        self.tools = folder / "tools"
        self.tools.mkdir()
        for name, text in (("python", PYTHON), ("systemctl", SYSTEMCTL)):
            (self.tools / name).write_text(text)
            (self.tools / name).chmod(0o755)
        self.folder = folder
        self.etc = self.root / "etc/brimful"
        self.var = self.root / "var/lib/brimful"
        self.opt = self.root / "opt/brimful"
        self.home = self.etc / "home.toml"
        self.ledger = self.var / "brimful.sqlite"

    def checkout(self, name: str, changes: Mapping[str, str] = MappingProxyType({})) -> Path:
        """A folder with the project; changes: what modules have at their end besides, by their paths."""
        folder = self.folder / name
        for part in CODE:
            shutil.copytree(_compiled() / part, folder / part, copy_function=os.link)
        (folder / "deploy").mkdir()
        for file in (*SCRIPTS, *DATA):
            shutil.copy(REPO / "deploy" / file, folder / "deploy")
        for file in ("pyproject.toml", "README.md"):
            shutil.copy(REPO / file, folder)
        for module, text in changes.items():
            path = folder / module
            former = path.read_text()
            path.unlink()
            path.write_text(f"{former}{text}")
            for compiled in (path.parent / "__pycache__").glob(f"{path.stem}.*"):
                compiled.unlink()
        return folder

    def run(
        self, checkout: Path, script: str, *arguments: str, service: bool = True, **environment: str
    ) -> subprocess.CompletedProcess[str]:
        """A script of deploy/ in that version's folder, on this machine."""
        manager = {"BRIMFUL_SYSTEMCTL": str(self.tools / "systemctl")} if service else {}
        own = {"PATH": os.environ["PATH"], "BRIMFUL_PYTHON": str(self.tools / "python")}
        command = [str(checkout / "deploy" / script), *arguments, "--root", str(self.root)]
        return subprocess.run(
            command,
            env={**own, **manager, **environment},
            cwd=self.folder,
            capture_output=True,
            text=True,
            timeout=300,
            check=False,
            start_new_session=True,
        )

    def write_home(self, more: str = "") -> Path:
        path = self.folder / "home.toml"
        path.write_text(f'{SMALL}{more}\n[broker]\nhost = "127.0.0.1"\nport = 9\n')
        return path

    @property
    def version(self) -> str:
        return (self.opt / "current").readlink().name

    @property
    def runs(self) -> bool:
        return (self.tools / "running").exists()

    def asked(self) -> list[str]:
        """What the service manager was asked for since the last look."""
        file = self.tools / "asked"
        lines = file.read_text().splitlines() if file.exists() else []
        file.unlink(missing_ok=True)
        return lines

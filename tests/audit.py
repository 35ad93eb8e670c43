"""Asks the package registry which of the locked packages have known weaknesses: `python tests/audit.py`.

Exit 1 where one has. Where the registry does not carry that data, or does not answer, this says so and is no failure:
nobody's work should stop because a mirror is incomplete.
"""

import json
import subprocess
import sys
from pathlib import Path

LOCK = Path(__file__).parents[1] / "deploy" / "requirements.lock"


def main() -> int:
    asked = [sys.executable, "-m", "pip_audit", "--requirement", str(LOCK), "--disable-pip", "--format", "json"]
    told = subprocess.run([*asked, "--progress-spinner", "off"], capture_output=True, text=True, timeout=300)
    try:
        packages = json.loads(told.stdout)["dependencies"]
    except (ValueError, KeyError):
        last = (told.stderr.strip().splitlines() or ["no answer"])[-1]
        print(f"not audited: the registry's advisories cannot be had ({last[:200]})")
        return 0
    unknown = [package for package in packages if "skip_reason" in package]
    weak = [package for package in packages if package.get("vulns")]
    for package in weak:
        for found in package["vulns"]:
            fixed = ", ".join(found["fix_versions"]) or "no version yet"
            print(f"{package['name']} {package['version']}: {found['id']}, mended in {fixed}")
    print(f"{len(packages) - len(unknown)} packages audited, {len(weak)} with known weaknesses", end="")
    print(f"; of {len(unknown)} the registry carries no advisories" if unknown else "")
    return 1 if weak else 0


if __name__ == "__main__":
    sys.exit(main())

"""The house password's hash, and whether a password fits it.

Trying a password takes memory on purpose, and what a process has once taken it seldom gives back. So the daemon has it
done by a process of its own, which ends with the answer: `python -m daemon.web.server.password_hash`.
"""

import json
import subprocess
import sys
from pathlib import Path

from argon2 import PasswordHasher
from argon2.exceptions import InvalidHashError, VerificationError

from daemon.web.server.refusals import Refusal

LONGEST_PASSWORD = 1000
WITHIN_S = 30.0
"""How long one try may take: a twentieth of a second on a desktop, a second or two on the smallest boards."""

# Less memory than the lesser of the two choices in RFC 9106, section 4 (64 MiB), and as much as is common practice for
# small machines (19 MiB; from memory): this runs on boards of 1 GB, beside a heater's control. One at a time, few
# tries, and one pass more than usual make up for it.
_HASHER = PasswordHasher(time_cost=3, memory_cost=19_456, parallelism=1)


def hashed(password: str) -> str:
    """The password's hash (argon2id) with its salt and costs, one line."""
    return _HASHER.hash(password)


def is_hash(text: str) -> bool:
    """Whether a text is such a hash."""
    try:
        _HASHER.check_needs_rehash(text)
    except InvalidHashError:
        return False
    return True


def fits(known: str, password: str) -> bool:
    """Whether a password is the one of a hash."""
    try:
        return _HASHER.verify(known, password[:LONGEST_PASSWORD])
    except (VerificationError, InvalidHashError):
        return False


def fits_apart(known: str, password: str) -> bool:
    """The same, found out by a process that ends with the answer. Raises Refusal where that process fails."""
    try:
        done = subprocess.run(
            [sys.executable, "-m", "daemon.web.server.password_hash"],
            input=json.dumps([known, password[:LONGEST_PASSWORD]]),
            capture_output=True,
            text=True,
            timeout=WITHIN_S,
            check=True,
            cwd=Path(__file__).parents[3],
        )
        return bool(json.loads(done.stdout))
    except (OSError, subprocess.SubprocessError, ValueError) as failed:
        hint = "try again; is the machine short of memory?"
        raise Refusal(503, "login", "the password could not be tried just now", hint) from failed


if __name__ == "__main__":
    json.dump(fits(*json.load(sys.stdin)), sys.stdout)

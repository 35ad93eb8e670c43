"""What a test found of a signal's sign and unit, put into the guesses. Pure."""

from collections.abc import Iterable, Sequence
from dataclasses import dataclass, replace

from daemon.setup.suggest import SIGNED, Suggestion


@dataclass(frozen=True, slots=True)
class Correction:
    """What a test found out. factor: by what its scale has to be multiplied, 1 if it is right; why: a sentence;
    sign: whether the test tells the sign too."""

    signal: str
    factor: float
    why: str
    sign: bool = True


def corrected(suggestions: Sequence[Suggestion], found: Iterable[Correction]) -> list[Suggestion]:
    """The guesses with what the tests found in place of what was doubtful; the first word on a signal stands."""
    by_signal: dict[str, Correction] = {}
    for correction in found:
        by_signal.setdefault(correction.signal, correction)
    return [_with(one, by_signal.get(one.source.signal)) for one in suggestions]


def _with(guess: Suggestion, found: Correction | None) -> Suggestion:
    if found is None:
        return guess
    source = replace(guess.source, scale=float(f"{guess.source.scale * found.factor:.12g}"))
    left = [doubt for doubt in guess.doubts if not _is_settled(doubt, found, guess.source.signal)]
    why = f"{guess.why}; {found.why}"
    return replace(guess, source=source, why=why, value=guess.value * found.factor, doubts=tuple(left))


def _is_settled(doubt: str, found: Correction, signal: str) -> bool:
    if doubt.startswith("the sign: "):
        return found.sign and signal in SIGNED
    return "unit is stated" in doubt or "states no unit" in doubt

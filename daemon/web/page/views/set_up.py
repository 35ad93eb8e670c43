"""Set-up as it is shown: what was heard, and for each signal where it may be. Pure."""

from collections.abc import Mapping
from dataclasses import dataclass, replace

from daemon.config.devices import SignalSource
from daemon.inputs.decode import Source
from daemon.setup.behaviour import pace
from daemon.setup.examine import Examined
from daemon.setup.members import members
from daemon.setup.suggest import Suggestion
from daemon.setup.survey import Survey
from rules.model.signals import SIGNALS
from rules.model.wording import Number, joined, say

KEEP, NONE = "keep", "none"
SCALES = ("1", "-1", "1000", "-1000", "0.001", "100")
_SHOWN = 80
_MOST_TOPICS = 300


@dataclass(frozen=True, slots=True)
class Offer:
    """One place that a signal may be: the value of its choice, and its words."""

    value: str
    words: str


@dataclass(frozen=True, slots=True)
class SignalShown:
    """A signal. about: what it is; now: where the home file has it ("": nowhere); offers: what may be chosen, the home
    file's own first; guessed: what the likeliest rests on; doubts: about that."""

    name: str
    about: str
    now: str
    offers: tuple[Offer, ...]
    guessed: str = ""
    doubts: tuple[str, ...] = ()


@dataclass(frozen=True, slots=True)
class TopicShown:
    """A topic that was heard: how often, and the latest payload."""

    topic: str
    pace: str
    payload: str
    pointers: str


def signals_shown(signals: Mapping[str, SignalSource], known: Examined) -> list[SignalShown]:
    """Every signal that the home file has or that was guessed."""
    guesses = {guess.source.signal: guess for guess in known.guesses}
    named = [name for name in SIGNALS if name in guesses or name in signals]
    named += [name for name in signals if name not in SIGNALS]
    return [_signal(name, signals.get(name), guesses.get(name)) for name in named]


def unnamed_signals(shown: list[SignalShown]) -> list[tuple[str, str]]:
    """The other signals, name and what each is, for whoever knows where they are."""
    known = {one.name for one in shown}
    return [(signal.name, signal.about) for signal in SIGNALS.values() if signal.name not in known]


def _signal(name: str, has: SignalSource | None, guess: Suggestion | None) -> SignalShown:
    now = "" if has is None else _said(has.topic, has.pointer, has.minus_pointer, has.scale)
    offers = [Offer(KEEP, say("as the home file has it: {place}", place=now) if now else say("not used"))]
    if guess is not None and _of(guess.source) == now:  # its owner knew
        guess = replace(guess, why=say("the guess agrees with the home file"), doubts=())
    if guess is not None:
        for number, source in enumerate((guess.source, *guess.alternatives)):
            if _of(source) == now:
                continue
            words = _of(source)
            if number == 0:
                unit = SIGNALS[name].unit
                words = say("{place}, now {value}", place=words, value=Number(f"{guess.value:.6g} {unit}"))
            offers.append(Offer(str(number), words))
    if has is not None:
        offers.append(Offer(NONE, say("remove it from the home file")))
    about = SIGNALS[name].about if name in SIGNALS else say("of one heater")
    why = "" if guess is None else guess.why
    return SignalShown(name, about, now, tuple(offers), why, () if guess is None else guess.doubts)


def _of(source: Source) -> str:
    return _said(source.topic, source.pointer, source.minus_pointer, source.scale)


def _said(topic: str, pointer: str, minus_pointer: str | None, scale: float) -> str:
    said: str = f"{topic} {pointer}".strip()
    if minus_pointer is not None:
        said = say("{place} less {other}", place=said, other=minus_pointer)
    return said if scale == 1 else joined((said, f"× {scale:g}"), " ")


def topics_shown(found: Survey) -> list[TopicShown]:
    """What was heard, by name."""
    return [
        TopicShown(
            topic,
            pace(heard),
            heard.payload[:_SHOWN].decode("utf-8", "replace"),
            " ".join(part.pointer for part in members(heard.payload) if part.pointer)[: 4 * _SHOWN],
        )
        for topic, heard in sorted(found.readable().items())[:_MOST_TOPICS]
    ]

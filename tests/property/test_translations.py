"""What the rules say keeps its parts: a reader of another language sees no word of it in English, whatever happens."""

from hypothesis import given
from hypothesis import settings as rounds

from daemon.web.languages.language import language
from rules.alarms import Watched, watch
from rules.decision.explain import explain
from rules.model.signals import SIGNALS
from rules.model.wording import Stored
from tests.property.test_rules import RUNS, Seen
from tests.support.marked import unmarked

GERMAN = language("de")
NAMES = (*SIGNALS, *(f"{signal}_lower" for signal in SIGNALS), "main", "upper", "lower")


def said(run: list[Seen], *, whole: bool) -> list[str]:
    """All that the rules say about a run. whole: the sentences that are made of it for a person, too."""
    texts: list[str] = []
    watched = Watched()
    for it in run:
        for heater in it.settings.heaters:
            found = explain(it.snapshot, it.settings, it.after, it.now, heater.name)
            texts += [text for one in found.findings for text in (one.sentence, one.change)]
            texts += [found.text] if whole else []
        alarms, watched = watch(it.snapshot, it.settings, it.after, watched, it.now)
        texts += [alarm.sentence for alarm in alarms]
    return texts


@rounds(max_examples=40, deadline=None)
@given(RUNS)
def test_no_word_of_a_finding_or_an_alarm_is_english_to_a_reader_of_another_language(run: list[Seen]) -> None:
    for text in said(run, whole=True):
        assert not unmarked(text, *NAMES), text


@rounds(max_examples=12, deadline=None)
@given(RUNS)
def test_a_sentence_that_was_kept_in_english_is_said_as_it_would_have_been_then(run: list[Seen]) -> None:
    for text in said(run, whole=False):
        assert GERMAN.text(Stored(str(text))) == GERMAN.text(text)

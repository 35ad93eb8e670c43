"""Messages for a survey, as if they had come at given seconds."""

from collections.abc import Mapping

from daemon.setup.survey import Survey


def listened(survey: Survey, at_s: float, payloads: Mapping[str, bytes], retained: bool = False) -> None:
    """Let the survey hear each payload at that second."""
    survey.clock = lambda: at_s
    for topic, payload in payloads.items():
        survey.hear(topic, payload, retained)

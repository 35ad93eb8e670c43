"""A decision with its reasons, as JSON (`brimful.why/1`)."""

from typing import Any

from daemon.documents.times import iso
from rules.decision.explain import Explanation
from rules.model.orders import Finding


def finding_answer(finding: Finding) -> dict[str, Any]:
    """A finding as JSON."""
    return {
        "guard": finding.guard,
        "verdict": finding.verdict.name.lower(),
        "sentence": finding.sentence,
        "change": finding.change,
    }


def explanation_answer(home: str, explanation: Explanation, at_s: float) -> dict[str, Any]:
    """A decision with its reasons as JSON."""
    return {
        "schema": "brimful.why/1",
        "home": home,
        "at": iso(at_s),
        "heater": explanation.heater,
        "order": explanation.order.value,
        "watts": explanation.watts,
        "guard": explanation.primary.guard,
        "sentence": explanation.text,
        "change": explanation.change,
        "findings": [finding_answer(finding) for finding in explanation.findings],
    }

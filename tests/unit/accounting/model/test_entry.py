"""An entry's reason: why it was written, and what was not known of its interval."""

from accounting.model.entry import Entry, reason_text


def test_a_reason_gives_back_both_its_parts() -> None:
    lacking = Entry(0, 1800, "main", reason=reason_text("late reading", ["export price", "carbon"]))
    assert lacking.reason == "late reading; unknown: export price, carbon"
    assert (lacking.why, lacking.unknown) == ("late reading", {"export price", "carbon"})
    known = Entry(0, 1800, "main", reason=reason_text("settled"))
    assert (known.reason, known.why, known.unknown) == ("settled", "settled", frozenset())

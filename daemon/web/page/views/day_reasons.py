"""Why a heater was on or off at one instant of the past, of the ledger's note of the decision that stood."""

from collections.abc import Sequence
from dataclasses import dataclass
from zoneinfo import ZoneInfo

from accounting.ledger.records import DecisionRow
from daemon.web.page.views.day import reason_of
from daemon.web.page.views.figures import utc
from daemon.web.page.views.now import VERDICTS, FindingShown
from rules.model.orders import LEADS, Verdict
from rules.model.wording import Sentence, Stored, joined


@dataclass(frozen=True, slots=True)
class ReasonsShown:
    """One heater's decision. at: the instant asked for; since: when it was made."""

    heater: str
    at: str
    since: str
    sentence: str
    change: str
    reason: str
    findings: tuple[FindingShown, ...]


def reasons_shown(rows: Sequence[DecisionRow], at_s: float, timezone: str) -> tuple[ReasonsShown, ...]:
    """The decisions that stood at a UTC second, one for each heater."""
    zone = ZoneInfo(timezone)
    return tuple(
        ReasonsShown(
            heater=row.heater,
            at=f"{utc(at_s).astimezone(zone):%H:%M}",
            since=f"{utc(row.at_s).astimezone(zone):%H:%M}",
            sentence=Sentence(joined((LEADS[row.order], Stored(row.why)), ": ")),
            change=Sentence(Stored(row.change)),
            reason=reason_of(row),
            findings=tuple(
                FindingShown(
                    rule=found.guard,
                    verdict=VERDICTS[found.verdict.name.lower()],
                    sentence=Stored(found.sentence),
                    change=Stored(found.change),
                    decides=found.guard == row.guard,
                    against=found.verdict is Verdict.FORBID,
                )
                for found in row.findings
            ),
        )
        for row in rows
    )

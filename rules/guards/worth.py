"""Is a surplus kWh worth more as heat than sold? Diverting pays only while the export price is below the heat's value.

If the owner sets a carbon price, each side includes its carbon: exported solar displaces the grid's carbon, diverted
solar the heat's. Carbon is included only if the factors of both sides are known.
"""

from rules.guards.guard import NEVER_S, next_edge_s
from rules.model import wording
from rules.model.formatting import clock, money
from rules.model.memory import Memory
from rules.model.orders import ALLOW, FORBID, Finding, Permission
from rules.model.reading import Moment
from rules.model.settings import Settings
from rules.model.share import Share
from rules.model.snapshot import Snapshot

NAME = "worth"


def sides(snapshot: Snapshot, settings: Settings) -> tuple[float, float, bool] | None:
    """What a kWh brings if sold, and as heat (before the margin), money per kWh, and whether carbon is included.

    None if a price is not known.
    """
    prices = snapshot.prices
    sold, heat = prices.export_price, prices.heat_value
    if sold is None or heat is None:
        return None
    per_kg = settings.worth.carbon_price_per_t / 1000
    if per_kg and prices.export_kg is not None and prices.heat_kg is not None:
        return sold + prices.export_kg * per_kg, heat + prices.heat_kg * per_kg, True
    return sold, heat, False


def missing(snapshot: Snapshot) -> str:
    """Which of the two prices is not known."""
    return wording.say("the export price") if snapshot.prices.export_price is None else wording.say("the heat's value")


def judge(snapshot: Snapshot, settings: Settings, memory: Memory, now: Moment, i: int, share: Share) -> Permission:
    """FORBID while the heat, less the margin, is worth less than the export; ALLOW where a price is not known."""
    if not settings.worth.enabled:
        return ALLOW
    both = sides(snapshot, settings)
    return FORBID if both is not None and both[0] > both[1] - settings.worth.margin else ALLOW


def next_s(snapshot: Snapshot, settings: Settings, memory: Memory, now: Moment) -> float:
    """When the prices change: the maker of the snapshot must renew it then."""
    return next_edge_s((snapshot.prices.until_s,), now) if settings.worth.enabled else NEVER_S


def say(snapshot: Snapshot, settings: Settings, memory: Memory, now: Moment, i: int, share: Share) -> Finding:
    """The verdict in words."""
    verdict = judge(snapshot, settings, memory, now, i, share)
    worth = settings.worth
    if not worth.enabled:
        return Finding(NAME, verdict, wording.say("the rule is off: heat is not compared with export"))
    both = sides(snapshot, settings)
    if both is None:
        sentence = wording.say("{price} is not known, so heat is not compared with export", price=missing(snapshot))
        return Finding(NAME, verdict, sentence)
    sold, heat, carbon = both
    said = [
        wording.say(
            "selling brings {sold}, heat is worth {heat}",
            sold=money(sold, settings.currency),
            heat=money(heat, settings.currency),
        )
    ]
    if worth.margin:
        said.append(wording.say("and must be worth {margin} more", margin=money(worth.margin, settings.currency)))
    if carbon:
        said.append(wording.say("carbon included"))
    elif worth.carbon_price_per_t:
        said.append(wording.say("carbon left out because a factor is not known"))
    at = money(heat - worth.margin, settings.currency)
    if verdict is FORBID:
        change = wording.say("resumes when selling brings at most {price}", price=at)
    else:
        change = wording.say("stops when selling brings more than {price}", price=at)
    until_s = snapshot.prices.until_s
    if now.utc_s < until_s < 1e11:
        until = clock(until_s, settings.timezone, now.utc_s)
        change = wording.joined((change, wording.say("other prices from {until}", until=until)), "; ")
    return Finding(NAME, verdict, wording.joined(said), change)

"""Double entry in Wh: whatever comes into an account has left another account, together with its cost."""

from collections.abc import Sequence

from accounting.model.entry import Entry, Posting, TankEntry

SUN, GRID, BATTERY, BOILER = "sun", "grid", "battery", "boiler"
BATTERY_FORGONE = "battery_forgone"
"""Sun that a heater took and that would have charged the house battery."""
TANK, DRAWN, LOST, UNEXPLAINED = "tank", "drawn", "lost", "unexplained"
_BAND = f"{GRID}:"


def grid_account(band: str | None) -> str:
    """The account of grid energy in a tariff's band, or in none."""
    return f"{GRID}:{band}" if band else GRID


def is_grid(account: str) -> bool:
    """Whether an account is the grid's, whichever band."""
    return account == GRID or account.startswith(_BAND)


def postings(diverted_wh: int, micro: int = 0, mg: int = 0, taken: Sequence[Posting] = ()) -> tuple[Posting, ...]:
    """The postings of a heater's energy into the tank. None for no energy.

    diverted_wh: all of it; micro, mg: what the sun's part gave up of export; taken: what others gave, and what the
    battery forgoes, as positive amounts.
    """
    if not diverted_wh:
        return ()
    sun = Posting(SUN, diverted_wh - sum([part.wh for part in taken]), micro, mg)
    lines = [Posting(part.account, -part.wh, -part.micro, -part.mg) for part in (sun, *taken) if part.wh]
    into = Posting(TANK, diverted_wh, -sum([line.micro for line in lines]), -sum([line.mg for line in lines]))
    return (*lines, into)


def balance(entry: Entry) -> None:
    """Checks an entry: see `faults`. Raises ValueError, because only a programmer can mend it."""
    for fault in faults(entry):
        raise ValueError(fault)


def faults(entry: Entry) -> list[str]:
    """What does not add up in an entry: a sentence for each fault, with the entry's name and the difference.

    Its postings sum to zero in energy, money and carbon; each source gave what its column says; no part is negative.
    """
    summed_wh = micro = mg = 0
    given = {SUN: 0, BATTERY_FORGONE: 0, GRID: 0, BATTERY: 0}
    for line in entry.postings:
        summed_wh += line.wh
        micro += line.micro
        mg += line.mg
        account = GRID if is_grid(line.account) else line.account
        if account in given:
            given[account] -= line.wh
    sun_wh, forgone_wh = entry.sun_wh, entry.forgone_wh
    sums = (
        ("postings", 0, summed_wh, "Wh"),
        ("money of the postings", 0, micro, "millionths"),
        ("carbon of the postings", 0, mg, "mg"),
        ("account sun", sun_wh - forgone_wh, given[SUN], "Wh"),
        ("account battery_forgone", forgone_wh, given[BATTERY_FORGONE], "Wh"),
        ("account grid", entry.grid_wh, given[GRID], "Wh"),
        ("account battery", entry.battery_wh, given[BATTERY], "Wh"),
    )
    parts = (
        ("sun", sun_wh),
        ("grid_wh", entry.grid_wh),
        ("battery_wh", entry.battery_wh),
        ("curtailed_wh", entry.curtailed_wh),
        ("forgone_wh", forgone_wh),
        ("what could be sold", sun_wh - forgone_wh - entry.curtailed_wh),
    )
    which = f"entry {entry.start_s} of {entry.heater}"
    found = [_differs(which, *one) for one in sums if one[1] != one[2]]
    found += [f"{which}, {name}: expected 0 Wh or more, got {wh} Wh" for name, wh in parts if wh < 0]
    return found


def tank_faults(entry: TankEntry) -> list[str]:
    """What does not add up in a tank's entry, a sentence for each fault.

    Its postings sum to zero in energy; no source takes heat back, and nobody draws a negative amount.
    """
    which = f"tank entry {entry.start_s}"
    summed_wh = sum([line.wh for line in entry.postings])
    found = [_differs(which, "postings", 0, summed_wh, "Wh")] if summed_wh else []
    return found + [
        f"{which}, {line.account}: got {line.wh} Wh, which is the wrong way round"
        for line in entry.postings
        if (is_source(line.account) and line.wh > 0) or (line.account == DRAWN and line.wh < 0)
    ]


def is_source(account: str) -> bool:
    """Whether heat comes into the tank from this account."""
    return account in (SUN, BATTERY, BOILER) or is_grid(account)


def in_tank(line: Posting) -> Posting:
    """A heater's posting as a source of the tank: sun is sun there, whatever else it could have done."""
    return Posting(SUN, line.wh, line.micro, line.mg) if line.account == BATTERY_FORGONE else line


def _differs(which: str, what: str, expected: int, accumulated: int, unit: str) -> str:
    off = accumulated - expected
    by = f"{off} too much" if off > 0 else f"{-off} too little"
    return f"{which}, {what}: expected {expected} {unit}, accumulated {accumulated} {unit} ({by})"

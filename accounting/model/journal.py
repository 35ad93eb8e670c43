"""Double entry in Wh: whatever comes into an account has left another account, together with its cost."""

from collections.abc import Sequence

from accounting.model.entry import Entry, Posting, TankEntry

SUN, GRID, BATTERY, BOILER = "sun", "grid", "battery", "boiler"
BATTERY_FORGONE = "battery_forgone"
"""Sun that a heater took and that would have charged the house battery."""
TANK, DRAWN, LOST, UNEXPLAINED = "tank", "drawn", "lost", "unexplained"
_BAND = f"{GRID}:"
_GIVING = (SUN, BATTERY_FORGONE, GRID, BATTERY)
_SUMS = (
    ("postings", "Wh"),
    ("money of the postings", "millionths"),
    ("carbon of the postings", "mg"),
    *((f"account {account}", "Wh") for account in _GIVING),
)
_PARTS = ("sun", "grid_wh", "battery_wh", "curtailed_wh", "forgone_wh", "what could be sold")


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
    sun_wh, into_micro, into_mg = diverted_wh, 0, 0
    lines = []
    for part in taken:
        if part.wh:
            sun_wh -= part.wh
            into_micro += part.micro
            into_mg += part.mg
            lines.append(Posting(part.account, -part.wh, -part.micro, -part.mg))
    if sun_wh:
        into_micro += micro
        into_mg += mg
        lines.insert(0, Posting(SUN, -sun_wh, -micro, -mg))
    return (*lines, Posting(TANK, diverted_wh, into_micro, into_mg))


def balance(entry: Entry) -> None:
    """Checks an entry: see `faults`. Raises ValueError, because only a programmer can mend it."""
    for fault in faults(entry):
        raise ValueError(fault)


def faults(entry: Entry) -> list[str]:
    """What does not add up in an entry: a sentence for each fault, with the entry's name and the difference.

    Its postings sum to zero in energy, money and carbon; each source gave what its column says; no part is negative.
    """
    summed_wh = micro = mg = 0
    given = dict.fromkeys(_GIVING, 0)
    for line in entry.postings:
        summed_wh += line.wh
        micro += line.micro
        mg += line.mg
        if line.account in given:
            given[line.account] -= line.wh
        elif is_grid(line.account):
            given[GRID] -= line.wh
    sun_wh, forgone_wh = entry.sun_wh, entry.forgone_wh
    sold_wh = sun_wh - forgone_wh - entry.curtailed_wh
    expected = (0, 0, 0, sun_wh - forgone_wh, forgone_wh, entry.grid_wh, entry.battery_wh)
    accumulated = (summed_wh, micro, mg, *given.values())
    parts = (sun_wh, entry.grid_wh, entry.battery_wh, entry.curtailed_wh, forgone_wh, sold_wh)
    if accumulated == expected and min(parts) >= 0:
        return []
    which = f"entry {entry.start_s} of {entry.heater}"
    found = [
        _differs(which, what, wanted, got, unit)
        for (what, unit), wanted, got in zip(_SUMS, expected, accumulated, strict=True)
        if wanted != got
    ]
    return found + [
        f"{which}, {name}: expected 0 Wh or more, got {wh} Wh" for name, wh in zip(_PARTS, parts, strict=True) if wh < 0
    ]


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

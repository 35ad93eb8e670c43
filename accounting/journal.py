"""Double entry in Wh: whatever comes into an account has left another."""

from accounting.entry import Entry, Posting


def postings(diverted_wh: int) -> tuple[Posting, ...]:
    """The postings of diverted energy, Wh: from the sun into the tank. None for no energy."""
    if not diverted_wh:
        return ()
    return Posting("sun", -diverted_wh), Posting("tank", diverted_wh)


def balance(entry: Entry) -> None:
    """Checks that an entry's postings sum to zero and that the sun gave what was diverted.

    Raises ValueError, which names the entry and says how far it is out: nobody but a programmer can mend it.
    """
    _expect(entry, "postings", 0, sum(posting.wh for posting in entry.postings))
    given = -sum(posting.wh for posting in entry.postings if posting.account == "sun")
    _expect(entry, "account sun", entry.diverted_wh, given)


def _expect(entry: Entry, what: str, expected: int, accumulated: int) -> None:
    if accumulated == expected:
        return
    off = accumulated - expected
    by = f"{off} too much" if off > 0 else f"{-off} too little"
    raise ValueError(
        f"entry {entry.start_s} of {entry.heater}, {what}: expected {expected} Wh, accumulated {accumulated} Wh ({by})"
    )

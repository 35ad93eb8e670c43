"""Where a home's own state is published: no heater may be ordered there."""

import re
import unicodedata


def slug(name: str) -> str:
    """A home's name as a level of a topic: small ASCII letters, digits and hyphens ("Quay Cottage": quay-cottage)."""
    plain = unicodedata.normalize("NFKD", name).encode("ascii", "ignore").decode().lower()
    return re.sub(r"[^a-z0-9]+", "-", plain).strip("-") or "home"


def state_base(home_name: str) -> str:
    """The topic under which all that brimful publishes of a home stands."""
    return f"brimful/{slug(home_name)}"

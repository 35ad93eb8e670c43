"""What a cylinder loses while nobody draws water: energy-label classes, and watts per kelvin from watts."""

from collections.abc import Mapping
from types import MappingProxyType

LABEL_CLASSES: Mapping[str, tuple[float, float]] = MappingProxyType(
    {
        "A+": (5.5, 3.16),
        "A": (8.5, 4.25),
        "B": (12.0, 5.93),
        "C": (16.66, 8.33),
        "D": (21.0, 10.33),
        "E": (26.0, 13.66),
        "F": (31.0, 16.66),
    }
)
"""(a, b) of the class's upper limit S = a + b V^0.4, W with V in L: Regulation (EU) 812/2013, Annex II, table 2.

Class G has no upper limit. C's is the legal maximum for new tanks since 26 September 2017 (Regulation (EU) 814/2013).
"""

TEST_K = 45.0
"""Water at 65 °C in surroundings at 20 °C: the state in which EN 12897 measures standing loss."""


def label_loss_w(label_class: str, volume_l: float) -> float:
    """The most a tank of this label class may lose, W, in the test state.

    label_class: "A+" to "F"; volume_l: L, above 0. Raises ValueError for another class or volume.
    Source: LABEL_CLASSES.
    """
    if label_class not in LABEL_CLASSES:
        raise ValueError(f"expected a label class {', '.join(LABEL_CLASSES)}, got {label_class!r}")
    if not volume_l > 0:
        raise ValueError(f"expected a volume above 0 L, got {volume_l}")
    base_w, slope = LABEL_CLASSES[label_class]
    return float(base_w + slope * volume_l**0.4)


def ua_w_per_k(loss_w: float) -> float:
    """Loss per kelvin above the surroundings, W/K, of a tank that loses `loss_w` in the test state of EN 12897."""
    return loss_w / TEST_K

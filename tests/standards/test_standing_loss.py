"""Standing loss against the label classes of Regulation (EU) 812/2013, Annex II, table 2."""

import pytest

from rules.tank.standing_loss import label_loss_w, ua_w_per_k

# Upper limits at 200 L, W, computed from the table's formulas.
AT_200_L_W = [("A+", 31.81), ("A", 43.88), ("B", 61.37), ("C", 86.01), ("D", 107.00), ("E", 139.73), ("F", 169.70)]


@pytest.mark.parametrize(("label_class", "loss_w"), AT_200_L_W)
def test_label_class_limits_at_200_l(label_class: str, loss_w: float) -> None:
    assert label_loss_w(label_class, 200.0) == pytest.approx(loss_w, abs=0.006)


def test_watts_per_kelvin_in_the_test_state_of_en_12897() -> None:
    # Water at 65 °C, ambient at 20 °C: 1.5 kWh a day is 1.389 W/K.
    assert ua_w_per_k(1500.0 / 24) == pytest.approx(1.389, abs=5e-4)


@pytest.mark.parametrize(
    ("label_class", "volume_l"), [("G", 200.0), ("c", 200.0), ("C", 0.0), ("C", -5.0), ("C", float("nan"))]
)
def test_no_loss_for_what_the_table_does_not_hold(label_class: str, volume_l: float) -> None:
    with pytest.raises(ValueError, match="expected"):
        label_loss_w(label_class, volume_l)

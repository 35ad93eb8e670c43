"""Emission factors as published, carried through to milligrams."""

from fractions import Fraction

from accounting.pricing.carbon import Factor
from accounting.pricing.displaced import Displaced
from accounting.valuation.formula import Rates
from tests.support.prices import value

# Natural gas, Regulation (EU) 2018/2066 Annex VI table 1 (IPCC 2006 default): 56.1 t CO2/TJ net. 1 TJ is 1e6/3.6 kWh.
GAS_NET = Fraction("56.1") * 1000 / (Fraction(1_000_000) / Fraction("3.6"))
# Net to gross heating value of natural gas, about 0.9026: the ratio of the two published kg/kWh figures (secondary).
GROSS = Fraction("0.9026")


def mg_avoided(factor: Fraction, efficiency: str = "1") -> int:
    """mg CO2e that 1 kWh of diverted heat avoids; the export side is 0."""
    gas = Factor("gas", factor, "average", "Regulation (EU) 2018/2066 Annex VI", 2018)
    source = Displaced("gas boiler", Fraction(1), Fraction(efficiency), price=Fraction(0), carbon=gas)
    return value(1000, Rates(export_kg=Fraction(0), heat_kg=source.heat_kg(0, 1800))).avoided_mg


def test_gas_is_202_g_per_kwh_net() -> None:
    assert mg_avoided(GAS_NET) == 201_960  # 0.20196 kg/kWh net


def test_gas_is_182_g_per_kwh_gross() -> None:
    assert round(mg_avoided(GAS_NET * GROSS), -2) == 182_300  # 0.1823 kg/kWh gross


def test_a_boiler_of_80_percent_gross_avoids_228_g() -> None:
    assert mg_avoided(Fraction("0.1823"), "0.80") == 227_875  # 0.1823 / 0.80


def test_exported_solar_displaces_the_grid_at_its_published_factor() -> None:
    # UK conversion factors 2024, electricity generated: 0.20705 kg CO2e/kWh (secondary copy).
    worth = value(1000, Rates(export_kg=Fraction("0.20705"), heat_kg=GAS_NET * GROSS))
    assert worth.given_up_mg == 207_050
    assert worth.avoided_mg < worth.given_up_mg  # against gas at 100 %, diverting emits more than exporting saves

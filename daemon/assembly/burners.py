"""The boiler that helps out where the tank runs cold."""

from dataclasses import replace
from fractions import Fraction

from accounting.reports.study_figures import Burner
from daemon.assembly.prepared_home import PreparedHome
from daemon.config.model import Home


def burner_of(home: Home, made: PreparedHome) -> Burner | None:
    """The boiler that helps out: the tank's own, else the first displaced source that burns a fuel."""
    boiler = made.books.tank.boiler if made.books.tank is not None else None
    if boiler is not None:
        fuel_per_heat = boiler.fuel / boiler.heat

        def price(start_s: int, end_s: int) -> Fraction | None:
            unit_price = boiler.tariff.mean_price(start_s, end_s) if boiler.tariff is not None else boiler.price
            return None if unit_price is None else unit_price * fuel_per_heat

        def kg(start_s: int, end_s: int) -> Fraction | None:
            unit_price = boiler.carbon.at(start_s, end_s) if boiler.carbon is not None else None
            return None if unit_price is None else unit_price * fuel_per_heat

        return Burner(price, kg)
    for table, source in zip(home.displaces, made.books.displaces, strict=True):
        if home.burns(table):
            always = replace(source, shares=None)
            return Burner(always.heat_price, always.heat_kg)
    return None

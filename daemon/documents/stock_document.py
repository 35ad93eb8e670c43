"""The heat stock, as JSON (`brimful.stock/1`), with what it rests on."""

from typing import Any

from accounting.heat.loss_fit import CONFIDENCE, Loss
from accounting.heat.tank_book import tolerance_wh
from accounting.reports.heat_stock import StockReport
from accounting.reports.heat_stock_statement import as_json
from accounting.valuation.settings import TankBooks
from daemon.config.build import tank_books
from daemon.config.model import Home
from rules.model.errors import BrimfulError


def heat_stock(home: Home) -> TankBooks:
    """The tank as the books count its heat. Raises BrimfulError where the home file does not say enough."""
    tank = tank_books(home)
    if tank is None:
        cause = "expected a [tank] table, and a signal of its level or temperature, got none"
        raise BrimfulError("read the heat stock", "tank", cause, "without them it is not known what is in the tank")
    return tank


def stock_answer(report: StockReport, tank: TankBooks, home: Home, fitted: Loss | None = None) -> dict[str, Any]:
    """The report as JSON, with what it rests on. fitted: the loss that the cooling shows, if it was asked for."""
    shown = None
    if fitted is not None:
        shown = {
            "ua_w_per_k": round(fitted.ua_w_per_k, 6),
            "standard_error_w_per_k": round(fitted.standard_error, 6),
            "low_w_per_k": None if fitted.low_w_per_k is None else round(fitted.low_w_per_k, 6),
            "high_w_per_k": None if fitted.high_w_per_k is None else round(fitted.high_w_per_k, 6),
            "confidence": CONFIDENCE,
            "loss_w": round(fitted.loss_w, 3),
            "runs": fitted.runs,
            "hours": round(fitted.hours, 3),
        }
    return as_json(
        report,
        home=home.home.name,
        currency=home.home.currency,
        loss={"ua_w_per_k": round(tank.ua_w_per_k, 6), "basis": loss_basis(home), "fitted": shown},
        tolerance_wh=tolerance_wh(tank),
    )


def loss_basis(home: Home) -> str:
    tank = home.tank
    if tank is not None and tank.loss_w is not None:
        return "tank.loss_w"
    if tank is not None and tank.label_class is not None:
        return f"label class {tank.label_class}"
    return "label class C, assumed"

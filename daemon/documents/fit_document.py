"""A tank fitted to the home's own tape, as JSON (the part `fit` of `brimful.study/1`) and in words."""

from typing import Any

from accounting.heat.loss_fit import CONFIDENCE
from accounting.heat.tank_fit import Figure, Fitted
from rules.model.formatting import rounded_percent


def fit_answer(found: Fitted) -> dict[str, Any]:
    """The fit as plain JSON data; a figure that the tape does not show is null."""
    fit, forecast = found.fit, found.forecast
    return {
        "confidence": CONFIDENCE,
        "days": fit.days,
        "full_kwh": _figure(fit.full_kwh),
        "hot_c": _figure(fit.hot_c),
        "volume_l": _figure(fit.volume_l),
        "ua_w_per_k": _figure(fit.ua_w_per_k),
        "drawn_kwh_per_day": _figure(fit.drawn_kwh),
        "drawn_by_hour": None if fit.by_hour is None else [round(share, 4) for share in fit.by_hour],
        "set": dict(found.set),
        "held_out": None
        if forecast is None
        else {
            "days": forecast.days,
            "level_rms_pct": round(forecast.rms_pct, 2),
            "level_mean_pct": round(forecast.mean_pct, 2),
            "day_before_rms_pct": round(forecast.yesterday_pct, 2),
        },
    }


def fit_sentences(found: Fitted) -> list[str]:
    """The fit in words, each figure beside what the home file states."""
    fit, stated, forecast = found.fit, found.stated, found.forecast
    figures = [
        _figure_text("volume that takes part", fit.volume_l, "L", 0, stated.volume_l),
        _figure_text("full at", fit.hot_c, "°C", 1, stated.hot_c),
        _figure_text("a full level holds", fit.full_kwh, "kWh", 2, stated.full_wh / 1000),
        _figure_text("standing loss", fit.ua_w_per_k, "W/K", 2, stated.ua_w_per_k),
        _figure_text("drawn a day", fit.drawn_kwh, "kWh", 2, None),
    ]
    ranged = f"{rounded_percent(CONFIDENCE)} range"
    sentences = [f"The tank as the readings show it, each with its {ranged}: {'; '.join(figures)}."]
    if forecast is not None:
        sentences.append(
            f"Tried on the last {forecast.days} days, which another fit did without: from each midnight's level, with"
            f" what the heaters took and the fitted draws, the level of each hour was forecast to within"
            f" {forecast.rms_pct:.0f} % of a full tank (root mean square; on average {forecast.mean_pct:+.0f} %);"
            f" the day before's level would have been {forecast.yesterday_pct:.0f} % off."
        )
    else:
        sentences.append("Too few days to try the fit on days that it has not seen.")
    return sentences


def _figure(figure: Figure | None) -> dict[str, float] | None:
    if figure is None:
        return None
    return {"value": round(figure.value, 4), "low": round(figure.low, 4), "high": round(figure.high, 4)}


def _figure_text(what: str, figure: Figure | None, unit: str, digits: int, stated: float | None) -> str:
    beside = "" if stated is None else f" (home file: {stated:.{digits}f})"
    if figure is None:
        return f"{what}: the readings do not show it{beside}"
    return f"{what} {figure.value:.{digits}f} {unit}, {figure.low:.{digits}f} to {figure.high:.{digits}f}{beside}"

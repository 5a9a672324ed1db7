"""Which distribution do measured times follow? Candidates by maximum likelihood, ranked by Akaike's criterion."""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import dataclass, field
from typing import Any

import numpy as np

from tailrace.arrays import FloatArray

MOST_VALUES = 100_000
"""Values from which the laws are fitted; of more, as many quantiles are taken, evenly spread."""

QuantileFunction = Callable[[FloatArray], FloatArray]


@dataclass(frozen=True)
class FittedLaw:
    """A law fitted to times. ``aic`` is 2 k − 2 ln L with k free parameters (Akaike 1974, from memory).

    ``service`` is the law as a scenario writes it, None where scenarios have none of this kind; ``distance`` the root
    mean square of quantile differences as a share of the mean.
    """

    name: str
    parameters: dict[str, float]
    aic: float
    distance: float
    service: dict[str, object] | None
    quantiles: QuantileFunction = field(repr=False)


def fit_laws(times_s: FloatArray) -> tuple[FittedLaw, ...]:
    """Exponential, gamma, lognormal, Weibull and (if more variable than exponential) hyperexponential, the best first.

    ``times_s`` has the shape (n,), all above 0. Raises ValueError for fewer than ten values or all of them alike.
    """
    values = np.sort(times_s)
    if values.size < 10 or values[0] == values[-1]:
        raise ValueError("at least ten values are needed, and not all alike")
    if values.size > MOST_VALUES:
        values = values[(np.arange(MOST_VALUES) + 0.5).astype(np.int64) * values.size // MOST_VALUES]
    laws = [_exponential(values), _gamma(values), _lognormal(values), _weibull(values)]
    if values.var() > values.mean() ** 2:
        laws.append(_hyperexponential(values))
    return tuple(sorted(laws, key=lambda law: law.aic))


def _law(
    name: str,
    values: FloatArray,
    parameters: dict[str, float],
    log_density: FloatArray,
    quantiles: QuantileFunction,
    service: dict[str, object] | None,
) -> FittedLaw:
    levels = (np.arange(1000) + 0.5) / 1000
    apart = quantiles(levels) - np.quantile(values, levels)
    distance = float(np.sqrt(np.mean(apart**2)) / values.mean())
    aic = 2 * len(parameters) - 2 * float(log_density.sum())
    return FittedLaw(name, parameters, aic, distance, service, quantiles)


def _seconds(value: float) -> str:
    return f"{value:.6g} s"


def _exponential(values: FloatArray) -> FittedLaw:
    mean = float(values.mean())
    return _law(
        "exponential",
        values,
        {"mean_s": mean},
        -values / mean - np.log(mean),
        lambda p: -np.log1p(-p) * mean,
        {"law": "exponential", "mean": _seconds(mean)},
    )


def _gamma(values: FloatArray) -> FittedLaw:
    from scipy.stats import gamma

    shape, scale, density, quantiles = _likeliest(gamma, values)
    service = {"law": "gamma", "mean": _seconds(shape * scale), "scv": float(f"{1 / shape:.6g}")}
    return _law("gamma", values, {"mean_s": shape * scale, "scv": 1 / shape}, density, quantiles, service)


def _likeliest(distribution: Any, values: FloatArray) -> tuple[float, float, FloatArray, QuantileFunction]:
    """Shape and scale of a distribution by maximum likelihood, the logarithm of its density, and its quantiles."""
    shape, _, scale = map(float, distribution.fit(values / values.mean(), floc=0))
    scale *= float(values.mean())
    density = distribution.logpdf(values, shape, scale=scale)
    return shape, scale, density, lambda p: np.asarray(distribution.ppf(p, shape, scale=scale))


def _lognormal(values: FloatArray) -> FittedLaw:
    from scipy.special import ndtri

    logs = np.log(values)
    middle, spread = float(logs.mean()), float(logs.std())
    mean, scv = float(np.exp(middle + spread**2 / 2)), float(np.expm1(spread**2))
    density = -0.5 * ((logs - middle) / spread) ** 2 - np.log(spread * np.sqrt(2 * np.pi)) - logs
    return _law(
        "lognormal",
        values,
        {"mean_s": mean, "scv": scv},
        density,
        lambda p: np.exp(middle + spread * ndtri(p)),
        {"law": "lognormal", "mean": _seconds(mean), "scv": float(f"{scv:.6g}")},
    )


def _weibull(values: FloatArray) -> FittedLaw:
    from scipy.stats import weibull_min

    shape, scale, density, quantiles = _likeliest(weibull_min, values)
    return _law("Weibull", values, {"scale_s": scale, "shape": shape}, density, quantiles, None)


def _hyperexponential(values: FloatArray) -> FittedLaw:
    """Two phases with balanced means, as scenarios have them, by mean and squared coefficient of variation."""
    from scipy.optimize import minimize

    from tailrace.physics.hyperexponential import two_phase_from_uniform

    unit = float(values.mean())
    scaled = values / unit

    def log_density(theta: FloatArray) -> FloatArray:
        mean, scv = np.exp(theta[0]), 1.0 + np.exp(theta[1])
        share = (1 + np.sqrt((scv - 1) / (scv + 1))) / 2
        fast, slow = 2 * share / mean, 2 * (1 - share) / mean
        return np.asarray(
            np.logaddexp(np.log(share * fast) - fast * scaled, np.log((1 - share) * slow) - slow * scaled)
        )

    start = np.array([0.0, np.log(max(float(scaled.var()) - 1.0, 0.01))])

    def unlikely(theta: FloatArray) -> float:
        return -float(log_density(theta).sum())

    found = minimize(unlikely, start, method="Nelder-Mead")
    mean, scv = unit * float(np.exp(found.x[0])), 1.0 + float(np.exp(found.x[1]))

    def quantiles(levels: FloatArray) -> FloatArray:
        places = (np.arange(200_000) + 0.5) / 200_000
        return np.asarray(np.quantile(two_phase_from_uniform(places, mean, scv), levels))

    service = {"law": "hyperexponential", "mean": _seconds(mean), "scv": float(f"{scv:.6g}")}
    parameters = {"mean_s": mean, "scv": scv}
    return _law(
        "hyperexponential", values, parameters, log_density(found.x) - np.log(unit), quantiles, service
    )

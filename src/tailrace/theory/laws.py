"""How are service or interarrival times distributed? Moments, tails and Laplace-Stieltjes transforms.

Every law has `mean_s`, `scv` (squared coefficient of variation) and, for arrays of non-negative times or of
complex s with positive real part,

- `tail(t_s)`: P(S > t),
- `residual_tail(t_s)`: the tail of the equilibrium residual, integral of P(S > u) beyond t over the mean,
- `transform(s)`: E exp(-s S),
- `residual_transform(s)`: the same of the residual, (1 - E exp(-s S)) / (s E S), without cancellation at
small s.

Means must be above 0; constructors raise OutsideValidityError (a ValueError) for anything else out of range.
"""

from collections.abc import Callable, Sequence
from dataclasses import dataclass
from typing import Protocol, TypeAlias

import numpy as np
from numpy.typing import NDArray
from scipy.special import gammaincc, lambertw, log1p, ndtr

from tailrace.theory.domain import Floats, OutsideValidityError, non_negative, positive

Complexes: TypeAlias = NDArray[np.complex128]

# Below, a law is constant to every digit that matters, and its shape parameter would leave the numbers.
_LEAST_SCV = 1e-9

_GROUPS = 24


class Law(Protocol):
    """A distribution of times: see the module's text for the meaning of the members."""

    @property
    def mean_s(self) -> float:
        """Mean in seconds."""

    @property
    def scv(self) -> float:
        """Variance over the square of the mean."""

    def tail(self, t_s: Floats) -> Floats:
        """P(S > t)."""

    def residual_tail(self, t_s: Floats) -> Floats:
        """Tail of the equilibrium residual time."""

    def transform(self, s: Complexes) -> Complexes:
        """E exp(-s S)."""

    def residual_transform(self, s: Complexes) -> Complexes:
        """(1 - E exp(-s S)) / (s E S)."""


@dataclass(frozen=True)
class Constant:
    """Always `mean_s`."""

    mean_s: float

    def __post_init__(self) -> None:
        positive("mean_s", self.mean_s)

    @property
    def scv(self) -> float:
        """Variance over the square of the mean: 0."""
        return 0.0

    def tail(self, t_s: Floats) -> Floats:
        return np.asarray(np.where(t_s < self.mean_s, 1.0, 0.0))

    def residual_tail(self, t_s: Floats) -> Floats:
        """Tail of the equilibrium residual time, uniform."""
        return np.asarray(np.maximum(0.0, 1.0 - t_s / self.mean_s))

    def transform(self, s: Complexes) -> Complexes:
        return np.asarray(np.exp(-s * self.mean_s))

    def residual_transform(self, s: Complexes) -> Complexes:
        return _one_minus_exp_over(s * self.mean_s)


@dataclass(frozen=True)
class Uniform:
    """Uniform from `low_s` to `high_s`."""

    low_s: float
    high_s: float

    def __post_init__(self) -> None:
        non_negative("low_s", self.low_s)
        positive("high_s - low_s", self.high_s - self.low_s)

    @property
    def mean_s(self) -> float:
        return (self.low_s + self.high_s) / 2

    @property
    def scv(self) -> float:
        return (self.high_s - self.low_s) ** 2 / 12 / self.mean_s**2

    def tail(self, t_s: Floats) -> Floats:
        return np.clip((self.high_s - t_s) / (self.high_s - self.low_s), 0.0, 1.0)

    def residual_tail(self, t_s: Floats) -> Floats:
        within = np.maximum(0.0, self.high_s - np.maximum(t_s, self.low_s)) ** 2 / (
            2 * (self.high_s - self.low_s)
        )
        return np.asarray((within + np.maximum(0.0, self.low_s - t_s)) / self.mean_s)

    def transform(self, s: Complexes) -> Complexes:
        return np.asarray(np.exp(-s * self.low_s) * _one_minus_exp_over(s * (self.high_s - self.low_s)))

    def residual_transform(self, s: Complexes) -> Complexes:
        width = self.high_s - self.low_s
        delay = _one_minus_exp_over(s * self.low_s) * self.low_s if self.low_s else 0.0
        spread = np.exp(-s * self.low_s) * _second_remainder(s * width) * width
        return np.asarray((delay + spread) / self.mean_s)


@dataclass(frozen=True)
class Gamma:
    """Gamma with the given mean and squared coefficient of variation; exponential at 1, Erlang-k at 1/k."""

    mean_s: float
    scv: float = 1.0

    def __post_init__(self) -> None:
        positive("mean_s", self.mean_s)
        non_negative("scv - 1e-9", self.scv - _LEAST_SCV)

    def tail(self, t_s: Floats) -> Floats:
        return np.asarray(gammaincc(1 / self.scv, t_s / (self.mean_s * self.scv)))

    def residual_tail(self, t_s: Floats) -> Floats:
        # E max(S - t, 0) = mean P(S' > t) - t P(S > t), where S' has one unit of shape more.
        x = t_s / (self.mean_s * self.scv)
        return np.asarray(gammaincc(1 / self.scv + 1, x) - t_s / self.mean_s * gammaincc(1 / self.scv, x))

    def transform(self, s: Complexes) -> Complexes:
        return np.asarray((1 + s * self.mean_s * self.scv) ** (-1 / self.scv))

    def residual_transform(self, s: Complexes) -> Complexes:
        # scipy's complex log1p keeps its relative accuracy near 0, numpy's does not.
        return np.asarray(-np.expm1(-log1p(s * self.mean_s * self.scv) / self.scv) / (s * self.mean_s))


def exponential(mean_s: float) -> Gamma:
    """The exponential law, Gamma with a squared coefficient of variation of 1."""
    return Gamma(mean_s, 1.0)


@dataclass(frozen=True)
class Lognormal:
    """Lognormal with the given mean and squared coefficient of variation.

    The transform is a trapezoidal sum along the horizontal line through the saddle point of exp(-s exp(y) -
    (y - m)^2 / (2 v)), at y = m - W(s v e^m), W Lambert's function (derived; error below 1e-12).
    """

    mean_s: float
    scv: float

    def __post_init__(self) -> None:
        positive("mean_s", self.mean_s)
        non_negative("scv - 1e-9", self.scv - _LEAST_SCV)

    @property
    def _variance(self) -> float:
        return float(np.log1p(self.scv))

    @property
    def _location(self) -> float:
        return float(np.log(self.mean_s) - self._variance / 2)

    def tail(self, t_s: Floats) -> Floats:
        return np.asarray(ndtr(-self._standardised(t_s)))

    def residual_tail(self, t_s: Floats) -> Floats:
        z = self._standardised(t_s)
        return np.asarray(ndtr(np.sqrt(self._variance) - z) - t_s / self.mean_s * ndtr(-z))

    def transform(self, s: Complexes) -> Complexes:
        return self._mean_along_saddle(s, np.exp)

    def residual_transform(self, s: Complexes) -> Complexes:
        direct = (1 - self.transform(s)) / (s * self.mean_s)
        small = np.abs(s * self.mean_s) < 0.03
        careful = -self._mean_along_saddle(np.where(small, s, 0.01), np.expm1)
        return np.asarray(np.where(small, careful / (s * self.mean_s), direct))

    def _mean_along_saddle(self, s: Complexes, function: Callable[[Complexes], Complexes]) -> Complexes:
        """E function(-s S), for function exp or, at small s, expm1."""
        points = np.asarray(s, dtype=np.complex128).ravel()
        saddle = np.asarray(-lambertw(points * self._variance * np.exp(self._location)))
        sigma = np.sqrt(self._variance)
        # Beyond eleven deviations of the wider Gaussian factor the integrand is below 1e-26 of its peak.
        steps = np.linspace(-11.0, 11.0, 265) * sigma
        y = saddle[:, None] + steps
        weight = np.exp(-(y**2) / (2 * self._variance)) * (steps[1] - steps[0]) / (sigma * np.sqrt(2 * np.pi))
        total = np.sum(weight * function(-points[:, None] * np.exp(y + self._location)), axis=1)
        return np.asarray(total).reshape(np.shape(s))

    def _standardised(self, t_s: Floats) -> Floats:
        with np.errstate(divide="ignore"):
            return np.asarray((np.log(t_s) - self._location) / np.sqrt(self._variance))


@dataclass(frozen=True)
class Mixture:
    """One of several laws, each with its weight; the weights sum to 1.

    Mixed request sizes on a link are a mixture of constants; a hyperexponential is one of exponentials.
    """

    weights: tuple[float, ...]
    laws: tuple[Law, ...]

    def __post_init__(self) -> None:
        weights = non_negative("weights", self.weights)
        if len(self.weights) != len(self.laws) or not abs(float(weights.sum()) - 1) < 1e-9:
            raise OutsideValidityError(
                f"weights = {self.weights}: accepted are as many as laws, summing to 1"
            )

    @property
    def mean_s(self) -> float:
        return sum(w * law.mean_s for w, law in self._parts())

    @property
    def scv(self) -> float:
        return sum(w * law.mean_s**2 * (1 + law.scv) for w, law in self._parts()) / self.mean_s**2 - 1

    def tail(self, t_s: Floats) -> Floats:
        return np.asarray(sum(w * law.tail(t_s) for w, law in self._parts()))

    def residual_tail(self, t_s: Floats) -> Floats:
        return np.asarray(
            sum(w * law.mean_s * law.residual_tail(t_s) for w, law in self._parts()) / self.mean_s
        )

    def transform(self, s: Complexes) -> Complexes:
        return np.asarray(sum(w * law.transform(s) for w, law in self._parts()))

    def residual_transform(self, s: Complexes) -> Complexes:
        return np.asarray(
            sum(w * law.mean_s * law.residual_transform(s) for w, law in self._parts()) / self.mean_s
        )

    def _parts(self) -> Sequence[tuple[float, Law]]:
        return tuple(zip(self.weights, self.laws, strict=True))


def hyperexponential(mean_s: float, scv: float) -> Mixture:
    """The two-phase hyperexponential law with balanced means: each phase carries half of the mean.

    Source: W. Whitt, Approximating a point process by a renewal process, Operations Research 30, 1982 (from
    memory).
    Raises OutsideValidityError unless mean_s > 0 and scv > 1.
    """
    positive("mean_s", mean_s)
    positive("scv - 1", scv - 1)
    quick = 0.5 * (1 + float(np.sqrt((scv - 1) / (scv + 1))))
    return Mixture(
        (quick, 1 - quick), (exponential(mean_s / (2 * quick)), exponential(mean_s / (2 * (1 - quick))))
    )


def two_moment_law(mean_s: float, scv: float) -> Law:
    """A law of given mean and variability: constant at 0, gamma up to 1, balanced hyperexponential beyond.

    Where only two moments are known (below 1e-9 is 0); the choice of gamma and hyperexponential is common
    practice.
    Raises OutsideValidityError unless mean_s > 0 and scv >= 0.
    """
    positive("mean_s", mean_s)
    non_negative("scv", scv)
    if scv < _LEAST_SCV:
        return Constant(mean_s)
    return Gamma(mean_s, scv) if scv <= 1 else hyperexponential(mean_s, scv)


def law_of_values(values_s: Floats) -> Law:
    """A law with the mean and the variability of ``values_s``, shape (n,), each as likely as it occurs.

    Values that lie together are taken together, in groups of about the same share of the number, the sum and the sum of
    squares, and each group by its own mean and variability: smooth where the values are many. Derived.
    Raises OutsideValidityError unless all values are above 0.
    """
    values = np.sort(positive("values_s", values_s))
    shares = [np.cumsum(values**power) / np.sum(values**power) for power in (0, 1, 2)]
    group = np.minimum((np.mean(shares, axis=0) * _GROUPS).astype(np.int64), _GROUPS - 1)
    parts = [values[group == number] for number in np.unique(group)]
    laws = [two_moment_law(float(part.mean()), float(part.var() / part.mean() ** 2)) for part in parts]
    return Mixture(tuple(part.size / values.size for part in parts), tuple(laws))


def _one_minus_exp_over(z: Complexes) -> Complexes:
    """(1 - exp(-z)) / z."""
    return np.asarray(-np.expm1(-z) / z)


def _second_remainder(z: Complexes) -> Complexes:
    """(exp(-z) - 1 + z) / z^2, by its power series where the quotient would cancel."""
    small = np.abs(z) < 0.5
    inner = np.where(small, z, 0.0)
    series = np.zeros_like(inner)
    for k in range(16, 1, -1):
        series = (1 - inner * series) / k
    outer = np.where(small, 1.0, z)
    return np.asarray(np.where(small, series, (np.expm1(-outer) + outer) / outer**2))

"""What is a figure without its interval? Value, interval, sample size and method go together."""

import math
from dataclasses import asdict, dataclass

from scipy.special import stdtrit


@dataclass(frozen=True, slots=True)
class IntervalEstimate:
    """A point estimate with its confidence interval, in the unit of the sample it came from.

    `value` is None when the sample cannot support the quantity, `low` and `high` are None when no interval
    can be given; `method` then says why. `n` is the number of observations used.

    Raises:
        ValueError: a figure is NaN, the interval does not hold the value, or only one end of it is given.
    """

    value: float | None
    low: float | None
    high: float | None
    n: int
    method: str

    def __post_init__(self) -> None:
        if any(figure is not None and math.isnan(figure) for figure in (self.value, self.low, self.high)):
            raise ValueError("an estimate that is not known is None, not NaN")
        if (self.low is None) != (self.high is None):
            raise ValueError("an interval has two ends")
        if self.low is not None and self.high is not None:
            if self.value is None:
                raise ValueError("an interval needs a value")
            if not self.low <= self.value <= self.high:
                raise ValueError(f"the interval {self.low} to {self.high} does not hold {self.value}")

    @classmethod
    def unknown(cls, n: int, reason: str) -> "IntervalEstimate":
        """Return the estimate that says only why nothing can be said."""
        return cls(value=None, low=None, high=None, n=n, method=reason)

    @property
    def has_interval(self) -> bool:
        """Whether value and interval are both known."""
        return self.low is not None

    @property
    def half_width(self) -> float | None:
        """Half the length of the interval, in the unit of the value; None without an interval."""
        if self.low is None or self.high is None:
            return None
        return (self.high - self.low) / 2

    @property
    def relative_half_width(self) -> float | None:
        """Half the length of the interval as a share of the value: the relative precision.

        None without an interval; infinite where the value is 0 and the interval is not.
        """
        half_width = self.half_width
        if half_width is None or self.value is None:
            return None
        if half_width == 0:
            return 0.0
        return half_width / abs(self.value) if self.value else math.inf

    def scaled(self, factor: float) -> "IntervalEstimate":
        """Return the same estimate in another unit; `factor` is positive.

        Raises:
            ValueError: the factor is not positive.
        """
        if not factor > 0:
            raise ValueError(f"a change of unit has a positive factor, not {factor}")
        value, low, high = (
            None if figure is None else figure * factor for figure in (self.value, self.low, self.high)
        )
        return IntervalEstimate(value, low, high, self.n, self.method)

    def as_dict(self) -> dict[str, float | int | str | None]:
        """Return value, low, high, n and method as a mapping, for JSON and for tables."""
        return asdict(self)

    def columns(self, name: str) -> dict[str, float | None]:
        """Return value, low and high as the columns of a table, under names that begin with `name`."""
        return {name: self.value, f"{name}_low": self.low, f"{name}_high": self.high}


def student_quantile(level: float, degrees: int) -> float:
    """Two-sided Student factor: the interval of +- this many standard errors holds with probability `level`.

    Raises:
        ValueError: the level is not strictly between 0 and 1, or there are no degrees of freedom.
    """
    check_level(level)
    if degrees < 1:
        raise ValueError(f"Student's distribution needs a degree of freedom, not {degrees}")
    return float(stdtrit(degrees, (1 + level) / 2))


def check_level(level: float) -> None:
    """Refuse a confidence level that is not strictly between 0 and 1.

    Raises:
        ValueError: it is not.
    """
    if not 0 < level < 1:
        raise ValueError(f"a confidence level lies between 0 and 1, not {level}")

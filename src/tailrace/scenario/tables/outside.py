"""Laws of service times from outside of the package: known by the names under which other packages enter them.

A package enters a law as an entry point of the group `tailrace.service_laws`: a function that takes probabilities, an
array ascending in (0, 1), and the parameters, and gives the quantiles there in seconds. A scenario then says
``service = {law = "empirical", named = "NAME", parameters = [...]}``. The law is taken at `POINTS` probabilities, each
as likely: nothing lies beyond the outermost, one in 200,000.

Disciplines cannot be entered so: two engines carry each out, one of them compiled, equal to the last bit.
"""

from __future__ import annotations

from functools import cache
from importlib.metadata import entry_points
from typing import Any

import numpy as np

from tailrace.arrays import FloatArray

GROUP = "tailrace.service_laws"
POINTS = 100_000


def names() -> list[str]:
    """The names of all such laws that are installed."""
    return sorted({each.name for each in entry_points(group=GROUP)})


@cache
def quantiles(name: str, parameters: tuple[float, ...]) -> FloatArray:
    """Its quantiles in seconds in the middle of each of the equal parts, shape (POINTS,).

    Raises ValueError, with why: no such law, it refuses its parameters, or what it gives are no service times.
    """
    found: Any = next(iter(entry_points(group=GROUP, name=name)), None)
    if found is None:
        raise ValueError(
            f"no package enters a law of that name; accepted: {', '.join(names()) or 'none is installed'}"
        )
    probability = (np.arange(POINTS) + 0.5) / POINTS
    try:
        values = np.asarray(found.load()(probability, *parameters), dtype=float)
    except Exception as error:  # whatever somebody else's code raises
        said = " ".join(str(error).split()) or type(error).__name__
        raise ValueError(
            f"the law refuses {list(parameters)} ({said}); accepted: what its package says"
        ) from None
    if (
        values.shape != (POINTS,)
        or not np.isfinite(values).all()
        or values[0] <= 0
        or (np.diff(values) < 0).any()
    ):
        raise ValueError(
            "the law gives no service times; accepted: quantiles above 0 s, ascending, one a probability"
        )
    values.setflags(write=False)
    return values

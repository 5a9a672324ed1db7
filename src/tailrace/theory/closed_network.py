"""How does a closed network respond to clients that wait for each answer? Exactly where possible.

Exact for stations in order of arrival whose exponential service has the same mean for all classes, for
stations that share the processor and for delays (any service law there), with any law of thinking: product
form.
Source: F. Baskett, K. M. Chandy, R. R. Muntz and F. G. Palacios, JACM 22, 1975 (from memory); the methods
name theirs.
"""

from collections.abc import Mapping
from typing import Literal

import numpy as np
from numpy.typing import ArrayLike

from tailrace.theory.closed_approximate import linearised, schweitzer_bard
from tailrace.theory.closed_exact import mean_value_analysis
from tailrace.theory.closed_solution import ClosedSolution
from tailrace.theory.convolution import convolution
from tailrace.theory.demands import demand_table, per_class, server_counts
from tailrace.theory.domain import Floats, OutsideValidityError, whole

Method = Literal["exact", "convolution", "schweitzer-bard", "linearised"]


def solve_closed(
    demands_s: ArrayLike,
    clients: ArrayLike,
    think_s: ArrayLike = 0.0,
    servers: ArrayLike = 1,
    *,
    rates: Mapping[int, ArrayLike] | None = None,
    method: Method = "exact",
) -> ClosedSolution:
    """Stationary means of a closed network.

    demands_s: seconds of service per request, (classes, stations) or (stations,); clients: whole numbers,
    one a class or one for all, times outstanding requests each; think_s: mean seconds between answer and
    next request, likewise; servers: whole numbers, one a station or one for all, `inf` for a delay.

    rates: of some stations, by their places, what they give all those present together, in seconds of service a
    second: with 1, 2 ... requests present, the last for any more, none falling. What ``servers`` says of them is
    then of no account: a station with rates 1, 2 ... c is one of c servers.

    method: "exact" is mean value analysis, and convolution where a station has several servers or rates, because the
    recursion of mean value analysis over marginal probabilities is not stable there. "convolution" forces
    it. "schweitzer-bard" and "linearised" are approximations whose cost does not grow with the number of
    clients.

    Raises OutsideValidityError (a ValueError) for negative demands or think times, clients or servers that
    are not whole, rates that are not above 0 or fall, shapes that do not fit, a class whose cycle takes no time
    at all, populations too large for the exact methods, and an unknown method.
    """
    demands = demand_table(demands_s)
    classes, stations = demands.shape
    counts = per_class("clients", whole("clients", clients, least=0), classes)
    think = per_class("think_s", think_s, classes)
    pools = server_counts(servers, stations)
    by_number = {place: _rates(place, each, stations) for place, each in (rates or {}).items()}
    for place, given in by_number.items():
        pools[place] = given[-1]
    if not counts.any():
        raise OutsideValidityError("clients = 0 in every class: accepted is at least one")
    if np.any((counts > 0) & (demands.sum(axis=1) + think <= 0)):
        raise OutsideValidityError(
            "demands_s and think_s are 0 for a class with clients: it would never wait"
        )
    if method == "exact":
        several = np.any((pools > 1) & np.isfinite(pools))
        if by_number or several:
            return convolution(demands, counts, think, pools, by_number)
        return mean_value_analysis(demands, counts, think, pools)
    if method == "convolution":
        return convolution(demands, counts, think, pools, by_number)
    if method == "schweitzer-bard":
        return schweitzer_bard(demands, counts, think, pools)
    if method == "linearised":
        return linearised(demands, counts, think, pools)
    raise OutsideValidityError(
        f"method = {method!r}: accepted are exact, convolution, schweitzer-bard, linearised"
    )


def _rates(place: int, rates: ArrayLike, stations: int) -> Floats:
    given = np.asarray(rates, dtype=np.float64)
    if not 0 <= place < stations:
        raise OutsideValidityError(f"rates of station {place}: accepted are places from 0 to {stations - 1}")
    if given.ndim != 1 or not given.size or not (given > 0).all() or (np.diff(given) < 0).any():
        raise OutsideValidityError(
            f"rates of station {place}: accepted are numbers above 0, one for each number present, none falling"
        )
    return given

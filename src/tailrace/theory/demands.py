"""What do the requests of each class ask of each station? The arguments that all networks share, checked.

`demands_s` has the shape (classes, stations), or (stations,) for a single class: mean seconds of service
that a request of the class asks of the station over all its visits. `servers` has one number for all
stations or the shape (stations,); `inf` is a station without a queue (delay).
"""

import numpy as np
from numpy.typing import ArrayLike

from tailrace.theory.domain import Floats, OutsideValidityError, non_negative, whole


def demand_table(demands_s: ArrayLike) -> Floats:
    """The demands as (classes, stations); raises OutsideValidityError for another shape, negative or NaN."""
    table = non_negative("demands_s", demands_s)
    if table.ndim == 1:
        table = table[None, :]
    if table.ndim != 2 or table.size == 0:
        raise OutsideValidityError(f"demands_s of shape {table.shape}: accepted is (classes, stations)")
    return table


def per_class(name: str, values: ArrayLike, classes: int) -> Floats:
    """Non-negative numbers, one a class, a scalar standing for all."""
    return _spread(name, non_negative(name, values), classes, "class")


def server_counts(servers: ArrayLike, stations: int) -> Floats:
    """Numbers of servers, one a station, whole or inf, a scalar standing for all."""
    counts = np.asarray(servers, dtype=np.float64)
    whole("servers", np.where(np.isposinf(counts), 1.0, counts))
    return _spread("servers", counts, stations, "station")


def _spread(name: str, values: Floats, length: int, what: str) -> Floats:
    if values.ndim > 1 or (values.ndim == 1 and values.size != length):
        raise OutsideValidityError(
            f"{name} of shape {values.shape}: accepted is one number a {what}, {length}"
        )
    return np.array(np.broadcast_to(values, (length,)))

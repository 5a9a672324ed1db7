"""How long does one drive take, when so many requests are always there? Rough and fast, to start a fit from."""

from __future__ import annotations

import numpy as np

from tailrace.physics.seek import SeekCurve, seek_times_s
from tailrace.theory.domain import Floats

_DISTANCES, _TIMES = 200, 400
_SHARPNESS = 6.0


def arm_service_s(depth: int, curve: SeekCurve, turn_s: float, transfer_s: float, chooses: bool) -> float:
    """Mean service of an arm that can choose among ``depth`` requests at random places, in seconds.

    Positioning takes S + U, the seek and a uniform part of a turn. An arm that ``chooses`` by access time takes the
    shortest of ``depth`` of them, as if they were independent: E min = integral of P(S + U > t)^depth. Distances of
    uniform places have density 2 (1 − x). Derived; what was passed over before is nearer than this takes it for.
    """
    x = 1.0 - np.sqrt(1.0 - (np.arange(_DISTANCES) + 0.5) / _DISTANCES)
    seek = seek_times_s(x, curve)
    t = np.linspace(0.0, float(seek.max()) + turn_s, _TIMES)
    longer = np.clip((seek[:, None] + turn_s - t) / turn_s, 0.0, 1.0).mean(axis=0)
    positioning = np.trapezoid(longer ** (depth if chooses else 1), t)
    return float(positioning) + transfer_s


def closed_banks_s(depth: int, own_s: Floats, work_s: Floats, stations: Floats) -> float:
    """Mean response with ``depth`` requests going round over banks of equal stations, in seconds.

    Mean value analysis: R_i(n) = own_i + w_i Q_i(n − 1)/m_i, Q_i(n) = n R_i(n)/R(n), where a request asks w_i seconds
    of the m_i stations of bank i together, and needs own_i of them itself where it goes several ways at once
    (Reiser and Lavenberg, JACM 27(2), 1980, from memory; exact where own = work, service exponential).
    """
    queue = np.zeros(len(own_s))
    response = np.asarray(own_s, dtype=np.float64)
    for n in range(1, depth + 1):
        response = np.asarray(own_s) + np.asarray(work_s) * queue / np.asarray(stations)
        queue = n * response / response.sum()
    return float(response.sum())


def bounded_response_s(depth: int, idle_s: float, most_per_s: float) -> float:
    """Mean response that is ``idle_s`` at low depth and depth/most_per_s at high, smoothly between. Derived bounds."""
    return float((idle_s**_SHARPNESS + (depth / most_per_s) ** _SHARPNESS) ** (1 / _SHARPNESS))

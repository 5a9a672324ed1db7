"""How long does one drive take, when so many requests are always there? Rough and fast, to start a fit from."""

from __future__ import annotations

import numpy as np

from tailrace.physics.seek import SeekCurve, seek_times_s
from tailrace.theory.domain import Floats

_DISTANCES, _TIMES = 200, 400
_SHARPNESS = 6.0
_NEARLY_FULL = 0.95


def arm_service_s(depth: Floats, curve: SeekCurve, turn_s: float, chooses: bool) -> Floats:
    """Mean positioning of an arm that can choose among ``depth`` requests at random places, in seconds; shape (n,).

    Positioning takes S + U, the seek and a uniform part of a turn. An arm that ``chooses`` by access time takes the
    shortest of ``depth`` of them, as if they were independent: E min = integral of P(S + U > t)^depth. Distances of
    uniform places have density 2 (1 − x). Derived; what was passed over before is nearer than this takes it for.
    """
    x = 1.0 - np.sqrt(1.0 - (np.arange(_DISTANCES) + 0.5) / _DISTANCES)
    seek = seek_times_s(x, curve)
    t = np.linspace(0.0, float(seek.max()) + turn_s, _TIMES)
    longer = np.clip((seek[:, None] + turn_s - t) / turn_s, 0.0, 1.0).mean(axis=0)
    among = depth if chooses else np.ones_like(depth)
    return np.asarray(np.trapezoid(longer ** among[:, None], t, axis=1))


def closed_banks_s(most: int, own_s: Floats, work_s: Floats, stations: Floats) -> Floats:
    """Mean response with 1, 2 ... ``most`` requests going round over banks of equal stations, in seconds.

    Mean value analysis: R_i(n) = own_i + w_i Q_i(n − 1)/m_i, Q_i(n) = n R_i(n)/R(n), where a request asks w_i seconds
    of the m_i stations of bank i together, and needs own_i of them itself where it goes several ways at once
    (Reiser and Lavenberg, JACM 27(2), 1980, from memory; exact where own = work, service exponential).
    ``own_s`` and ``work_s`` have the shape (kinds of request, banks), the result (most, kinds).
    """
    own, each = own_s.T, work_s.T / stations[:, None]
    queue = np.zeros_like(own)
    responses = np.empty((most, own_s.shape[0]))
    for n in range(1, most + 1):
        response = own + each * queue
        responses[n - 1] = total = np.add.reduce(response)
        queue = response * (n / total)
    return responses


def bounded_response_s(depth: Floats, idle_s: float, most_per_s: Floats) -> Floats:
    """Mean response that is ``idle_s`` at low depth and depth/most_per_s at high, smoothly between. Derived bounds."""
    return np.asarray((idle_s**_SHARPNESS + (depth / most_per_s) ** _SHARPNESS) ** (1 / _SHARPNESS))


def open_response_s(idle_s: float, rate_per_s: float, most_per_s: float) -> float:
    """Mean response to Poisson arrivals, ``idle_s`` without any wait, where ``most_per_s`` can be carried, in seconds.

    The wait is that of M/M/1, as if all were one server (Kleinrock, Queueing Systems I, 1975, from memory): exact
    there, rough elsewhere. Near saturation and beyond it grows as fast as it does at 0.95 of it.
    """
    load = rate_per_s / most_per_s
    inside = min(load, _NEARLY_FULL)
    queue = inside / (1 - inside) + (load - inside) / (1 - _NEARLY_FULL) ** 2
    return idle_s + queue / most_per_s

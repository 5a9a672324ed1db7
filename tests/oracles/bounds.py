"""Limits between which other closed forms must lie: geometric bounds of closed networks, fork-join."""

import numpy as np

from tailrace.theory import ClosedBounds, fork_join_response_mean, maximum_mean_exponential


def geometric_bounds(demands_s: list[float], clients: int, think_s: float = 0.0) -> ClosedBounds:
    """Throughput and response of a closed network of single servers, queues that do not bind taken as geometric.

    From X(N) = N / (Z + D + D_max (N - 1 - Z X(N - 1)) - sum_k (D_max - D_k) Q_k(N - 1)), where Q_k lies between (y -
    y^(N+1)) / (1 - y) for y = D_k N / (Z + D + D_max N) and for y = D_k X_high(N). G. Casale, R. Muntz and G. Serazzi,
    Geometric bounds: a noniterative analysis technique for closed queueing networks, IEEE Transactions on Computers
    57(6), 2008 (from memory).
    """
    demands = np.asarray(demands_s)
    total, largest = float(demands.sum()), float(demands.max())
    others = demands[demands < largest]
    if clients == 1:
        return ClosedBounds(1 / (total + think_s), 1 / (total + think_s), total, total)
    before = clients - 1
    least = before / (think_s + total + largest * (before - 1))
    most = min(1 / largest, before / (think_s + total))

    def throughput(load: np.ndarray, rate: float) -> float:
        queues = (load - load ** (before + 1)) / (1 - load)
        waiting = largest * (before - think_s * rate) - float(np.sum((largest - others) * queues))
        return clients / (think_s + total + waiting)

    low = throughput(others * before / (think_s + total + largest * before), least)
    high = min(1 / largest, clients / (total + think_s), throughput(others * most, most))
    return ClosedBounds(low, high, max(0.0, clients / high - think_s), clients / low - think_s)


def fork_join_response_bounds(members: int, arrival_rate: float, service_rate: float) -> tuple[float, float]:
    """Between which limits the mean response of a fork-join of M/M/1 stations lies.

    Upper, H_K / (mu - lambda): the parts' times are associated, so their maximum is below that of independent ones.
    Lower: the longest of K services without waiting, H_K / mu, or the exact mean of fewer members. R. Nelson and A. N.
    Tantawi, IEEE Transactions on Computers 37(6), 739-743, 1988 (from memory).
    """
    fewer = fork_join_response_mean(min(members, 2), arrival_rate, service_rate)
    longest = maximum_mean_exponential(members, 1 / service_rate)
    return max(fewer, longest), maximum_mean_exponential(members, 1 / (service_rate - arrival_rate))

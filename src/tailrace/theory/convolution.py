"""How does a closed network with multi-server stations respond, exactly? By its normalising constant.

Only positive terms are added, so nothing cancels. Each class is scaled by a first estimate of its throughput
(which changes no result), so that the constant keeps in range near the population asked for.
"""

import math
from collections.abc import Mapping

import numpy as np
from numpy.typing import NDArray
from scipy.special import gammaln, xlogy

from tailrace.theory.closed_approximate import rough_throughput
from tailrace.theory.closed_solution import ClosedSolution, closed_solution
from tailrace.theory.domain import Floats, OutsideValidityError

# Multiplications: some ten seconds.
_LARGEST = 5e9


def convolution(
    demands: Floats,
    clients: Floats,
    think: Floats,
    servers: Floats,
    rates: Mapping[int, Floats] | None = None,
) -> ClosedSolution:
    """Exact means for demands (C, K), clients (C,), think (C,), servers (K,), whole or inf; checked before.

    A station k in ``rates`` gives rates[k][m - 1] to m present, all together, and the last to any more; its entry in
    ``servers`` is that last one.

    Product form: a station holds n = (n_1, ..., n_C) with the weight |n|! / prod n_c! prod D_c^n_c /
    beta(|n|), beta(m) = prod_{j<=m} min(j, servers), or the product of the rates. X_c = G(N - 1_c) / G(N); a
    single-server station holds D_c G+(N - 1_c) / G(N) of class c, where G+ has that station twice; the numbers
    at a multi-server station come from its marginal distribution.
    Source: J. P. Buzen, Computational algorithms for closed queueing networks with exponential servers, CACM
    16(9), 1973; M. Reiser and H. Kobayashi, Queuing networks with multiple closed chains, IBM J. Res. Dev.
    19, 1975 (from memory).
    Raises OutsideValidityError when there are too many populations, or the constant leaves the range of
    numbers.
    """
    present = clients > 0
    sizes = tuple(int(n) + 1 for n in clients[present])
    rates = rates or {}
    by_number = np.isin(np.arange(servers.size), list(rates))
    singles = np.flatnonzero((servers == 1) & ~by_number)
    pools = [int(k) for k in np.flatnonzero((servers > 1) & np.isfinite(servers) | by_number)]
    _refuse_too_large(sizes, [rates[k].size if k in rates else servers[k] for k in pools])
    scale = _scale(demands, clients, think, servers)[present]
    scaled = demands[present] * scale[:, None]
    constant = _delay_weights(think[present] * scale + scaled[:, np.isinf(servers)].sum(axis=1), sizes)
    for k in singles:
        constant = _with_single_server(constant, scaled[:, k])
    without_pools = constant
    for pool in pools:
        constant = _with_pool(constant, scaled[:, pool], servers[pool], rates.get(pool))
    everyone = constant[tuple(n - 1 for n in sizes)]
    if not (np.isfinite(everyone) and everyone > 0):
        raise OutsideValidityError("the normalising constant leaves the range of floating-point numbers")
    classes = range(len(sizes))
    less = [tuple(n - 1 - (i == c) for i, n in enumerate(sizes)) for c in classes]
    throughput = np.zeros(clients.size)
    throughput[present] = [constant[less[c]] / everyone * scale[c] for c in classes]
    number = throughput[:, None] * demands
    for k in singles:
        twice = _with_single_server(constant, scaled[:, k])
        number[present, k] = [scaled[c, k] * twice[less[c]] / everyone for c in classes]
    for pool in pools:
        others = without_pools
        for j in pools:
            if j != pool:
                others = _with_pool(others, scaled[:, j], servers[j], rates.get(j))
        weights = np.exp(_relative(_log_weights(scaled[:, pool], servers[pool], sizes, rates.get(pool))))
        marginal = weights * others[(slice(None, None, -1),) * len(sizes)]
        marginal /= marginal.sum()
        number[present, pool] = [float(np.sum(marginal * n)) for n in np.indices(sizes)]
    return closed_solution(demands, clients, think, servers, throughput, number, "exact convolution")


def _refuse_too_large(sizes: tuple[int, ...], pools: list[float]) -> None:
    lattice = math.prod(float(n) for n in sizes)
    # A pool of c servers costs one step for each way to have fewer than c of the classes at it.
    ways = sum(min(lattice, math.comb(int(c) + len(sizes) - 1, len(sizes))) for c in pools)
    if lattice > 2e7 or lattice * ways * len(pools) > _LARGEST:
        raise OutsideValidityError(
            f"{' x '.join(str(n) for n in sizes)} populations: too many to be solved exactly; "
            "accepted by the approximate methods"
        )


def _scale(demands: Floats, clients: Floats, think: Floats, servers: Floats) -> Floats:
    """Estimated throughputs, reduced where they would load a station beyond its servers."""
    estimate = rough_throughput(demands, clients, think, servers)
    load = (estimate @ demands) / servers
    return np.asarray(estimate / max(1.0, float(load.max())))


def _relative(logs: Floats) -> Floats:
    return np.asarray(logs - logs.max())


def _delay_weights(delay: Floats, sizes: tuple[int, ...]) -> Floats:
    """prod over classes of delay_c^n_c / n_c!, the largest scaled to 1."""
    logs = np.zeros(sizes)
    for n, d in zip(np.indices(sizes), delay, strict=True):
        logs += xlogy(n, d) - gammaln(n + 1)
    return np.asarray(np.exp(_relative(logs)))


def _log_weights(
    demand: Floats, servers: float, sizes: tuple[int, ...], rates: Floats | None = None
) -> Floats:
    """Logarithms of the product-form weights of a station with several servers, or of rates by the number present."""
    grid: NDArray[np.int64] = np.indices(sizes)
    total = grid.sum(axis=0)
    if rates is None:
        full = np.minimum(total, servers)
        logs = gammaln(total + 1) - gammaln(full + 1) - (total - full) * np.log(servers)
    else:
        most = int(total.max())
        given = np.concatenate([rates, np.full(max(most - rates.size, 0), rates[-1])])
        logs = gammaln(total + 1) - np.concatenate([[0.0], np.cumsum(np.log(given))])[total]
    for n, d in zip(grid, demand, strict=True):
        logs += xlogy(n, d) - gammaln(n + 1)
    return np.asarray(logs)


def _with_single_server(constant: Floats, demand: Floats) -> Floats:
    """Convolution with a single-server station: g(n) = constant(n) + sum_c demand_c g(n - 1_c)."""
    from scipy.linalg.blas import dtbsv  # slow to import, and few networks need it

    result = np.zeros_like(constant)
    # Along the last axis: forward substitution in g(n) - demand g(n - 1) = inflow(n).
    recursion = np.zeros((2, constant.shape[-1]))
    recursion[1] = -demand[-1]
    for row in np.ndindex(constant.shape[:-1]):
        inflow = constant[row].copy()
        for c, n in enumerate(row):
            if n > 0:
                inflow += demand[c] * result[(*row[:c], n - 1, *row[c + 1 :])]
        result[row] = dtbsv(1, recursion, inflow, lower=1, diag=1)
    return result


def _with_pool(constant: Floats, demand: Floats, servers: float, rates: Floats | None = None) -> Floats:
    """Convolution with a station of several servers, or of rates by the number present, up to a constant factor.

    Its weights are those of a single server of demand / servers, convolved with weights (1 - |n| / servers)
    for |n| < servers and none beyond (derived): few terms for few servers, and all of them positive. With
    rates r(|n|), none above the last, it is 1 - r(|n|) / last.
    """
    few = tuple(min(n, int(servers) if rates is None else rates.size) for n in constant.shape)
    total = np.indices(few).sum(axis=0)
    rate = total if rates is None else np.append(0.0, rates)[np.minimum(total, rates.size)]
    weights = np.exp(_relative(_log_weights(demand, servers, few, rates))) * np.maximum(
        0.0, 1 - rate / servers
    )
    if constant.ndim == 1:
        spread = np.convolve(constant, weights)[: constant.size]
    else:
        spread = np.zeros_like(constant)
        for m in zip(*np.nonzero(weights), strict=True):
            into = tuple(slice(int(i), None) for i in m)
            source = tuple(slice(None, n - int(i)) for n, i in zip(constant.shape, m, strict=True))
            spread[into] += weights[m] * constant[source]
    return _with_single_server(spread, demand / servers)

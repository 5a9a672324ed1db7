"""How does a closed network respond, exactly? Mean value analysis over the lattice of populations.

The recursion is exact and stable for stations with one server and for delays, with any number of classes.
Stations with several servers go to `convolution`, where no difference of nearly equal numbers is taken.
"""

import numpy as np

from tailrace.theory.closed_solution import ClosedSolution, closed_solution
from tailrace.theory.domain import Floats, OutsideValidityError

# Numbers kept while the lattice is walked; 5e7 are 400 MB.
_LARGEST = 5e7


def mean_value_analysis(demands: Floats, clients: Floats, think: Floats, servers: Floats) -> ClosedSolution:
    """Exact means for demands (C, K), clients (C,), think (C,) servers (K,) 1 or inf; all checked before.

    R_ck(n) = D_ck (1 + Q_k(n - 1_c)), X_c = n_c / (Z_c + sum_k R_ck), Q_k = sum_c X_c R_ck, for all
    populations n of equal total at once, total after total.
    Source: M. Reiser and S. S. Lavenberg, Mean-value analysis of closed multichain queueing networks, JACM
    27(2), 1980 (from memory).
    Raises OutsideValidityError when the lattice of populations is too large to hold.
    """
    queues = servers == 1
    present = clients > 0
    own = demands[np.ix_(present, queues)]
    thinking = (think + demands[:, ~queues].sum(axis=1))[present]
    sizes = clients[present].astype(np.int64) + 1
    if np.prod(sizes.astype(np.float64)) * max(1, own.shape[1]) > _LARGEST:
        raise OutsideValidityError(
            f"{' x '.join(str(n) for n in sizes)} populations: too many to be solved exactly; "
            "accepted by the approximate methods"
        )
    populations = np.indices(tuple(sizes)).reshape(sizes.size, -1).T
    totals = populations.sum(axis=1)
    strides = np.append(np.cumprod(sizes[:0:-1])[::-1], 1)
    order = np.argsort(totals, kind="stable")
    first = np.searchsorted(totals[order], np.arange(totals.max(initial=0) + 2))
    queue = np.zeros((totals.size, own.shape[1]))
    throughput = np.zeros(sizes.size)
    residence = np.zeros_like(own)
    for total in range(1, first.size - 1):
        here = order[first[total] : first[total + 1]]
        counts = populations[here]
        # Populations without a client of class c have no predecessor in c; its weight is 0, so any index
        # serves.
        before = queue[np.maximum(here[:, None] - strides, 0)]
        residence_here = own * (1 + before)
        rate = counts / (thinking + residence_here.sum(axis=2))
        queue[here] = np.einsum("nc,nck->nk", rate, residence_here)
        throughput, residence = rate[-1], residence_here[-1]
    all_throughput = np.zeros(clients.size)
    all_throughput[present] = throughput
    number = all_throughput[:, None] * demands
    number[np.ix_(present, queues)] = throughput[:, None] * residence
    return closed_solution(
        demands, clients, think, servers, all_throughput, number, "exact mean value analysis"
    )

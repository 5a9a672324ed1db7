"""Which distribution of latency do closed forms give? Quantiles at many probabilities, where they promise any."""

from __future__ import annotations

from collections.abc import Iterable, Mapping

from tailrace import theory
from tailrace.forecast.decompose import Decomposition
from tailrace.forecast.estimate import estimate
from tailrace.forecast.exact import exact_classes, exact_quantiles_s
from tailrace.quantity import QUANTILES
from tailrace.scenario.tables.scenario import Scenario

BODY = (0.1, 0.25, *QUANTILES.values(), 0.75, 0.98, 0.995, 0.998)


def closed_tail(
    scenario: Scenario, seed: int | None = None, ps: Iterable[float] = BODY
) -> Mapping[str, Mapping[float, float]]:
    """Quantiles of latency by class and probability, in seconds; classes for which theory has means only are left out.

    Args:
        scenario: what to reckon.
        seed: of the sample on which demands are counted; the scenario's, or 0, if left out.
        ps: probabilities strictly between 0 and 1.
    """
    seed = scenario.run.seed or 0 if seed is None else seed
    with_tail = [name for name, each in estimate(scenario, seed).classes.items() if each.p99_s is not None]
    if not with_tail:
        return {}
    wanted = sorted(ps)
    if exact_classes(scenario):
        return dict.fromkeys(with_tail, exact_quantiles_s(scenario, wanted))
    network = Decomposition(scenario, seed)
    network.reckon({each.name: each.rate_at(scenario.load) for each in scenario.workload})
    found = {}
    for name in with_tail:
        try:
            found[name] = {p: network.quantile_s(name, p) for p in wanted}
        except theory.OutsideValidityError:  # some quantile cannot be inverted though the p99 could
            continue
    return found

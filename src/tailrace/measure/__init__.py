"""What may be claimed from a sample? Numpy and scipy only; no one here knows where a sample came from.

`interval` is what every figure looks like, `section` gives intervals over replications and `paired` those of a
difference, `quantile` the quantiles themselves, `spectrum` those of samples that are kept small and `mixture` those of
several samples, each with a weight of its own; `warmup` says
whether measuring began late enough, `length` how long a run must be, `backlog` whether a server is overloaded,
`verdict` whether a target is met, `fit` which parameters explain what was measured, `distance` how far two
distributions lie apart.

A figure is found once as a ``section.Sectioned`` (value, deviations of the replications), which serves every level.
Quantiles of the pooled sample are exact without a copy of it: they lie between the least and the greatest of the
replications' own, so only what lies there is gathered. `experiments/interval_coverage.py` counts how often intervals
hold the exact value.

Overload: the backlog has to grow, over the whole window and its later half alone, by more than 1 % of the arrivals at
the 99.9 % level, and its growth must not slacken: arms of drives need long queues to work at their best, and these
take long to fill. `experiments/overload.py` counts false alarms and misses from 0.90 to 1.10 of saturation.
"""

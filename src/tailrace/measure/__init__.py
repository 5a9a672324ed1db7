"""What may be claimed from a sample? Numpy and scipy only; no one here knows where a sample came from.

`estimate` is what every figure looks like, `section` gives intervals over replications and `paired` those
of a difference, `quantile` the quantiles themselves, `warmup` says whether measuring began late enough,
`length` how long a run must be, `backlog` whether a server is overloaded, `verdict` whether a target is
met.
"""

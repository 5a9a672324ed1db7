"""Pictures of answers: functions that take a result and return a matplotlib Figure.

The figures belong to no window and to no global state; save them with :func:`save`, or show them in a notebook.
The lines of a picture differ in colour, dash and marker, so that a grey print says the same.

>>> import tailrace
>>> from tailrace import plots
>>> scenario = tailrace.load("shared/scenarios/one-station.toml", ["run.requests=2000", "run.replications=4"])
>>> figure = plots.latency_distribution(tailrace.simulate(scenario))
>>> figure.axes[0].get_ylabel()
'requests that take longer, %'
"""

from __future__ import annotations

from tailrace.forecast.distribution import closed_tail
from tailrace.report.pictures.comparison import comparison
from tailrace.report.pictures.curves import block_size_curve, queue_depth_curve
from tailrace.report.pictures.distribution import latency_distribution
from tailrace.report.pictures.journey import journey_of_the_slowest
from tailrace.report.pictures.load import load_curve
from tailrace.report.pictures.save import save
from tailrace.report.pictures.stages import stacked_time, time_per_stage
from tailrace.study.curve import Curve, LoadCurve
from tailrace.study.curve import key_curve as key_points
from tailrace.study.curve import load_curve as load_points

__all__ = [
    "Curve",
    "LoadCurve",
    "block_size_curve",
    "closed_tail",
    "comparison",
    "journey_of_the_slowest",
    "key_points",
    "latency_distribution",
    "load_curve",
    "load_points",
    "queue_depth_curve",
    "save",
    "stacked_time",
    "time_per_stage",
]

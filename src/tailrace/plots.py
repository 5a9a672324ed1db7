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

from tailrace.forecast.distribution import closed_tail as closed_tail
from tailrace.report.pictures.comparison import comparison as comparison
from tailrace.report.pictures.conditions import conditions_picture as conditions_picture
from tailrace.report.pictures.curves import block_size_curve as block_size_curve
from tailrace.report.pictures.curves import queue_depth_curve as queue_depth_curve
from tailrace.report.pictures.distribution import latency_distribution as latency_distribution
from tailrace.report.pictures.journey import journey_of_the_slowest as journey_of_the_slowest
from tailrace.report.pictures.load import load_curve as load_curve
from tailrace.report.pictures.save import save as save
from tailrace.report.pictures.stages import stacked_time as stacked_time
from tailrace.report.pictures.stages import time_per_stage as time_per_stage
from tailrace.study import curve as _curve
from tailrace.study.curve import Curve as Curve
from tailrace.study.curve import LoadCurve as LoadCurve

load_points, key_points = _curve.load_curve, _curve.key_curve

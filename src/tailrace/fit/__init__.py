"""What explains a measurement? Drives and laws fitted to points, and how far runs lie from what was measured.

`scenario.reading.point_columns` says which column of a file holds what, `scenario.tables.points` reads points, and
`predicted` predicts them: by `theory.one_drive` (rough, a millisecond) or by simulation, past the time in which a
write buffer fills. `calibration` fits. The fit and its intervals (`measure.fit`, by the sum of squares along each
parameter) go by the closed form as `correction` corrects it: it adds in level and slope what the simulation says
beyond it, from pairs of runs that are so far apart that the effect stands out of their noise.
`experiments/calibration.py` measures how often intervals hold the truth. Raw latencies go to `law_fit`; `latencies`
and `resemblance` say how far simulated latencies and described traces lie from measured ones.

Drives known by nothing but their rates are fitted in `hardware.measured_fit`, where scenarios that name a file of
points need it too; `by_depth` makes a calibration of it. `left_out` says for every kind how well each condition is
predicted by a fit to the others, and `ranking` which kind the points support by that.

To add a parameter that can be fitted: a key of the media model named in ``FLASH`` or ``SPINNING`` of `calibration`.
It needs a closed form that depends on it, however roughly.
"""

"""What do replications say together? Lengths, figures with intervals, verdicts, notes.

One pipeline for a single scenario and for many. `run.simulate` opens a `bench.Bench`: one seed, one engine, one crew.
`pilot` finds how long the answers must be, by replications that are thrown away, `answers` carries out fresh ones,
longer where they are not settled and more where that is asked. `sample.Sample` takes replications together and
`figures` makes figures with intervals of them; `result` says what an answer is. `steps` makes the figures of each
step of a transaction by a second look at the answer's own replications. `doubts` says what is not settled, and which
laws do not hold between figures.

Targets are judged at 1 − 0.05/(number of targets) and, with ``--until-decided``, a third of that error for each of
three looks (Bonferroni); answers give that interval beside the 95 % one. A run that shows an overload is repeated at
four times its length, which has to show it too, unless the budget ends before. What is neither overloaded nor settled
says "not settled within its budget".

Of a scenario with conditions, `together` holds the evidence of each and judges what holds over all of them: `mixture`
makes figures of their samples, each request counted by rate and hours, and `work` how long an amount takes.

To add a figure to the answer:

The types in `result` come first, then their ``as_dict`` (the JSON document), the figure's place in `figures`, and its
column in `report.columns` (see there), from which terminal, page and CSV take it. A figure is an `IntervalEstimate`:
value, interval, sample size and method, or ``None`` with the reason. Tables fit 80 columns (`tests/test_report.py`
tries absurd names and numbers). What kind of figure it is, its unit and its direction is for `tailrace.quantity` to
know.
`cli` gets nothing but options.
"""

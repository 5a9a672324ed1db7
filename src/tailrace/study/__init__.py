"""What do many scenarios say? Conditions, sweeps, headroom, relief, comparisons, curves, journeys of slow requests.

Each question has a function that takes a scenario or its file and returns an object with a table (``table``) and
plain values (``as_dict``): `sweep`, `headroom`, `relief`, `compare`, `journey`. All open a `session.Session` (seed,
engine, crew, store, and the study's entry in the store), which holds an `answer.bench.Bench`, and end with rows ready
for JSON. `vary` reads which values a key takes, `scenario.reading.dial` turns it, `resources` knows what a server can
have more of. `judge` looks at a scenario again until a verdict is clear. What depends on the clock (`budget`) is
decided once and kept in the store.

A scenario with conditions is as many scenarios at one seed (`scenario.reading.conditions.states`), answered by the one
pipeline: `conditions` for all of them, `compare_conditions` for several designs. Headroom, relief and comparisons take
their evidence together (`answer.together`), a sweep shows each condition as a line. Whoever takes one scenario alone
refuses one with conditions (`scenario.reading.conditions.alone`).

To add a study: a module with its function, its result and how that is written, the verb in `cli.studies`, the table
in `report.columns.studies`, and the names in the package's stub. Whatever it shows follows from kept replications
alone.
"""

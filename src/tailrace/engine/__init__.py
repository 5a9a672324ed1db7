"""Who waits for whom? Engines walk the paths of a plan and observe its requests.

Two engines, one contract: `reference` (SimPy, written to be read) and `compiled` (numba, `loop`) give the same
completion times to the last bit, ties included. An engine walks the rows of a plan and gives
`observations.Observations`: every request with its wait and service at each stage, and the state of the stations at a
few marks. While the compiled loop walks, which holds no lock of the interpreter, a thread plans the rows that come
next (`loop.ahead`). Nothing is drawn here.

Looking changes nothing: `observed` follows chosen requests through a second run of the reference engine by noting
what its stations are asked; the engine itself has no hook, and nothing to pay for one.

To add a discipline:

1. `plan.stations`: a member of ``Discipline``, and a name in ``DISCIPLINES`` if scenarios may choose it.
2. `stations`: a class with its own queue on the SimPy environment. It tells a request when its service has ended by
   the event that the request waits for, and accounts for busy and waiting time like its neighbours. What becomes able
   to go on without time passing goes through an urgent event, so that ties have one order.
3. The compiled engine: the same in `loop` and its kernel. Arithmetic that decides times stands in one
   written order in both, so that completion times are equal bit for bit; formulas that both need belong in `physics`.
4. `forecast.saturation`: what such a station can carry, or that this is not known.
5. Tests: a hand-traced scenario whose whole log is compared, its properties (work conservation, order), a closed form
   where one exists, and equality of the engines.

A ``FLOW`` station (`flow`) shares as ``PS`` does, at a pace that `physics.flow` finds from how many are there, of which
kind, and what they draw of the byte rate; shares are whole steps of 2^-20, so that their sum is exact in any order.

An arm with ``segments`` reads on behind a read by as many bytes as the column ``ahead`` of its ``Access`` says;
there, writes carry ``A_WRITE``. `physics.read_ahead` has the rules.
"""

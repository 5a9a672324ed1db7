"""Where workload and hardware meet: stations, and the path of each request over them, in columns.

For each replication `build.build_plan` makes the stations and the sources of requests. A source hands out *chunks*:
rows (requests) and the steps of their paths. A request's path is a run of steps (`columns`): ``VISIT`` a station with
so many seconds of work, ``TAKE`` and ``GIVE`` permits of a pool, ``SPLIT`` into branches side by side and go on when
the last has ended, ``DETACH`` a way that nobody waits for, ``COLLECT`` and ``RELEASE`` around what one request does
for all that have come meanwhile (bulk service: a group commit), ``LAP`` where a step of a transaction is done,
``END``. Lengths stand in the columns instead of pointers, so a path can be walked in order.

Nobody writes steps by hand. `path` has expressions that describe the paths of many requests at once:

- ``visit(count, station, work_s)``, ``take(count, pool, n)``, ``give(count, pool, n)``, ``draw(count, kind, share)``:
  one step each
- ``Series(count, [a, b, ...])``: one path after the other
- ``Collected(station, inside)``: a path that is walked by one item for all that were collected while it was walked
  before
- ``Choice(chosen, yes, no)``: one path for the items marked, another for the rest
- ``fork(child, counts)``: each item's children side by side; a single child is walked by the item itself
- ``InTurn(child, counts)``: each item's children one after the other
- ``Behind(child, counts)``: each item's children go their own way, waited for by nobody

Every expression knows its lengths before anything is written, so each step is written once, to where it belongs.
``fork``, ``InTurn`` and ``Behind`` take the *children* of all items in one path, and ``counts`` says how many belong
to each item: the pieces of all requests, say, are one path of visits. ``work_s`` may be an array, one entry an item.

`server` puts the stages of one request in a row; `links`, `media` and `flash` describe network, lanes and drives;
`source` merges the classes into chunks. Two rules keep comparisons fair. Everything random is drawn here, never in an
engine (see `tailrace.workload`). And what a row holds never depends on how the stream is cut into blocks: state that
runs from block to block belongs to the source (`media.WriteState`), and tests plan in blocks of different sizes and
compare.

Pools and layouts. A pool of drives is a `pool.PoolPlan`: lanes, media, and one of three redundancy plans
(`redundancy`) that turn requests into drive operations. `hardware.geometry` says which drive holds what and which are
up, once for rows that are rebuilt and once for all others; `hardware.rows` says what must be read and written in each
row that keeps parity. A write that reads first is a branch of its own behind one lock of its row, taken before any
queue slot of a drive and never within another lock, so nothing can deadlock; all other rows of a request are written
together, and adjacent units on a drive are one operation. A rebuild is an open class behind those of the scenario
(``Scenario.background``, `rebuild`), with no place among the classes of the answer. Stations that bear different
loads because others are down are told apart by ``Bank.alike``.

Transactions. A class with steps is a `transaction.TransactionPlan`: a row is a whole transaction, its path the
``Series`` of its steps, each an ``InTurn`` of ``fork``s of ordinary request paths. ``Workload.parts`` gives each step
that asks for anything as a class of its own, and ``Scenario.by_step`` the scenario of these: addresses, pools, cache
and checks go by it, and findings are put back to where the step stands in the file. ``LAP k`` ends step k. It takes
no time; an engine that is started with ``laps=True`` notes the instant and all that has been charged so far, both
engines the same to the last bit.

The log of a step with ``group_commit`` is a station of bulk service around the issue and the work of its drive
operations. Every commit has a write planned; the one that leads walks its own, and those of the others are never
made. Who is written along is charged the time up to the end of that write as a wait at the media. Loads count a write
as shared by as many as it may hold (`demand`): groups grow as long as anything on their way is short, so that is what
saturates. How long a write takes is found by a short run of writes by themselves. Estimates reckon with
`theory.bulk_service`: as many together as come during such a write, whatever its limit.

Measured drives. A drive of which only rates by queue depth are known (`measured`) is one station of discipline
``FLOW``: those present share what `physics.flow` says that so many are given. A ``DRAW`` step before each visit says
whether it is a read or a write there, and what share of the byte rate it draws. Loads and estimates reckon with the
mix of those present (`forecast.flow`); where all requests are alike they are exact.

Several servers. `cluster` plans one server as any other (`server.ServerPlan`), adds its stations so many times, server
after server within each bank (`cluster.machine`), and puts each path where it belongs: ``OnServers`` adds to every
station number what its server makes of it. A write of several copies is a ``quorum`` of paths, a read of the least
busy copy ``FewestPresent``, the only choice that is left to an engine. `Requests.server` tells media that remember
from write to write (`flash`) which server is meant.

Caches. Caches are decided here, not by an engine. `read_cache` says which reads hit: an item is found with
probability 1 − exp(−rate · t), with one characteristic time t for all classes (`physics.cache`), so the cache is warm
from the start and misses are colder than arrivals. Rates of closed classes are asymptotic bounds (`build`).
Write-back memory (`write_back`) and a drive's write cache (`spinning`) are pools of permits with a detached way
behind them. They begin full where closed clients are sure to fill them (`filled`), else empty, and an answer watches
whether they fill.

To add a media kind:

1. `scenario`: a frozen model with a ``kind`` literal, each key typed with range and description, contradictions
   between keys in ``findings``; add it to ``Media`` with its tag. ``tailrace keys`` and ``tailrace schema`` follow by
   themselves.
2. `physics`: formulas worth testing alone, as plain functions, each docstring with its source.
3. `hardware`: a cost class, ``Cost.of(media)``, that turns the model into seconds, vectorised.
4. Here: a subclass of `media.MediaPlan`. Its constructor adds stations with ``stations.add(name, stage, discipline,
   servers, count)``; ``reads`` and ``writes`` return path expressions, lanes included. Names of stations are singular
   nouns ("die"), since answers make sentences of them. Choose it in ``_plan_media`` of `pool`.
5. Tests: the latency of one request on an idle server as a sum done by hand; the saturation rate by hand; a published
   figure with its source; every new stage of the tables looked at in a terminal. Its usual parts go to
   ``tests/drives.py``.

A pool added with ``ranked=True`` lets those who wait go by the rank of their take (``path.take(..., rank=...)``,
lower first, 0 for a plain take): reads before programs that wait. What a flash page in part needs, the gap to the
next write on the drive, comes from ``Operations.later``: a source looks ahead of its block by as much as
``MediaPlan.foresight_s`` says, so that rows still do not depend on how the stream is cut.
"""

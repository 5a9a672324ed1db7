"""Who carries out replications, and what is kept? This process, several, or a cluster; and a store.

`crew.Crew` takes bags of tasks: what the store has is taken from it, all else is carried out by `executors` (this
process, several, or an existing Dask cluster, all with the interface of `concurrent.futures.Executor`) and kept at
once by `store`, one row of SQLite a task, each in a transaction of its own. A run that is killed at any instant goes
on where it was. `progress` says how far the runs are, `crew.Interrupted` what Ctrl-C has left. `experiments/kills.py`
kills studies again and again.
"""

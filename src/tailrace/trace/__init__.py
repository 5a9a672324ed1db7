"""What does a recorded file hold? Requests as somebody measured them, from CSV into columns.

`mapping` says which column holds what, `table` reads CSV in blocks, `compilation` judges rows and writes columns, and
`recording` keeps these in the user's cache (``XDG_CACHE_HOME`` or ``~/.cache``, ``tailrace/traces``), in a folder
named by the digest of file and mapping; 8 GB at most, what was unused longest goes first. `profile` describes a
trace, `popularity` how unevenly it asks for its items, `values` reads a single column.

The keys of a scenario (``[workload.columns]``), and what is wrong between file and class, stand in `scenario`. A
class that replays a trace gets ``rate``, ``clients``, ``request_size`` and ``read_share`` from it while it is
validated, so nothing behind the scenario needs to ask; these do not count as set by the user. Digests of scenarios
cover what is in a named file, never its path.
"""

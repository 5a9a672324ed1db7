"""Several servers alike behind the same clients.

`machine` has the stations of one server so many times, and puts paths that were planned for one of them where they
belong. `plan.pieces` says which request asks which servers for what. `cluster` lays requests over the servers: which
copy is read, who passes copies on, and what a write waits for.
"""

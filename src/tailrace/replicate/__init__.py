"""What is one replication? Carried out, gathered, and boiled down to what is kept of it.

`task` says what a task is (one replication) and what decides what it gives: digest of what is simulated (not of
title, targets, prices and `run`), seed, replication, length, and version with a mark of the code that simulates
(`mark`, of all modules that the simulating one imports, and their data).

`gather` takes the finished requests of either engine in blocks, in order of completion. Of each it keeps the latency
(a float), class and kind: 11 bytes a request while a replication runs, 9 afterwards. Stage times are summed one
request after the other in that order, so no sum depends on where a block ends; whole records are kept only of those
that can still be among the slowest 1 % (of equally slow ones those that arrived first) and of an even spread of
65,536. A run takes about 9 bytes times requests times replications, and 25 bytes times the requests of one
replication beside it. `flow` counts rates in a window of time that no arrival has chosen.

`replication` is the result: *whole*, with every latency, or *kept*, with their spectrum, some ten kB (`written` makes
bytes of it). Whatever a study shows must follow from kept replications alone, or a resumed study could not end with
the same rows.
"""

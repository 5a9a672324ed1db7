"""Which figures are shown? Each once: its heading, its unit, and how it is read off a result and written.

Terminal, page and CSV take them from here. `answer.station_columns` is the example to follow: a `Column` has a heading
(`Head`), a function that reads its cell off one station, and the name of its field in files. A new column of that table
is one entry there, and the attribute of the result that it reads: nothing else knows which columns there are.

Where figures are rows (of a class all requests, reads and writes have a column each), `answer.statistics` lists them in
the order of the result, with whatever quantiles it has; names, units and directions come from `tailrace.quantity`.
"""

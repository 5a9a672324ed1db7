"""What does each stage cost, in seconds? Nothing here knows of queues.

`network`, `controller`, `flash` and `spinning` turn the keys of a scenario into seconds, vectorised.
`layout`, `extents` and `geometry` say which bytes lie on which drive and which drives are up; `rows` what must be
read and written in each row that keeps parity, as plain columns that tests enumerate without any run.

A flash drive by datasheet is turned into parts by `physics.datasheet`. The command processor carries the rated reads;
dies are so many that of the requests which the rated depth leaves over, by Little's law, a third at most waits for a
die; program time and write amplification are the largest at which all dies, each on its bus or away from it, carry
the rated writes (a closed network of one queue, found by bisection). `tests/test_flash.py` holds a deep queue against
every figure, so a change of what a die does must come with a change there.

What a media kind needs here is said in `tailrace.plan`.
"""

"""How does it look in a terminal? In at most 100 columns, and legible in 80.

A module of this package shows one kind of result: its ``parts(found, width)`` are what rich prints, from the top down.
`results.py` knows which module that is, and makes text of any result; a new kind is named there.

A module puts tables of `tailrace.report.columns` below titles: ``under("Stations", stations(result), width)``. How a
table becomes rows of text stands in `layout.py` alone: with all digits if there is room, else with few, and if that is
still too wide, the names in it are cut; figures never are. What is not known is a dash with a raised number, and the
reason stands below the table. So a new table is a function in `columns/` and one such line here. A figure that stands
in no table belongs into a sentence of `sentences.py`, from where the page has it too.

`watch.py` shows how far a run is while it goes on, on standard error.
"""

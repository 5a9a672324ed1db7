"""What does an answer look like?

`columns` has every table of figures once: headings, units, and how a figure of each column is written. `terminal` lays
these tables out by rich, `page` puts them into one HTML page, `files` writes CSV, JSON and text, `pictures` draws, and
`notebook` shows in a notebook what a terminal shows. `figures` writes a number with its interval; `sentences`
says in words what an answer means, `study_words` what a study does.

To add a column, add the figure to the result (`answer.result`, `answer.stations`) and a ``Column`` to its table in
`columns`: terminal, page, CSV and comparison have it then. To show a new kind of result, give it the base
`tailrace.shown.Shown`, and `terminal` a module of its name whose ``parts`` show it. Tables fit 80 columns, whatever the
names and numbers in them (`tests/test_report.py` tries absurd ones); units stand in headings or in a column of their
own.
"""

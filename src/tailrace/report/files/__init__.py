"""What is written to files? One to read, one for programs, tables for whoever goes on from there, and pictures.

`documents.py` makes the JSON: a result with ``as_dict()`` is its own document, and ``as_json`` writes any of them.
`answer.py` writes the files of one scenario, `study.py` those of a study. The columns of tables come from
`tailrace.report.columns`, by the ``field`` that each has: a new column of the stations is in the CSV at once.
Every file appears whole or not at all (``write_whole``).
"""

"""How does a result look? Tables, texts, pages, pictures and files; nothing is decided here.

| where | its question |
| --- | --- |
| `figures.py` | how is a number written, in which unit, with how many digits? |
| `table.py` | what is a table, whoever shows it? |
| `columns/` | which figures are shown, each once: heading, unit, and how it is read off a result? |
| `sentences.py` | what is the answer in words? |
| `lines.py` | which points of a sweep make a line, and where does it bend? |
| `terminal/`, `page/`, `pictures/`, `files/` | how does that look on a terminal, a page, as a picture, as files? |
| `notebook.py` | how does a result show itself in a notebook? As on a terminal. |

To add a figure to a table, go to `columns/`: all that show it follow. A quantile that a result has appears by itself,
under the name that `tailrace.quantity` gives it. To add a kind of result, write the module of `terminal/` that shows
it, name it in `terminal/results.py`, and let the result inherit `tailrace.shown.Shown`.
"""

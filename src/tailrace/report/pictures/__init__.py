"""What does an answer look like as a picture? Figures for screens, pages and paper, in one style.

A picture is a function that takes a result and a ``width`` ("wide" for a page, "narrow" for a telephone) and returns a
matplotlib ``Figure`` that belongs to no window. Its canvas, colours, marks, axes and legend come from `style.py`: lines
differ in colour, dash and marker, bars in hatch, so that a grey print says the same; intervals are bands; what is not
known is left out, never drawn as 0. Units come from `tailrace.report.figures`, names of figures from
`tailrace.quantity`, and names from outside pass through ``style.shown``.

To add one: write that function in a module of its own, list it in `tailrace.plots` if users are to call it, draw it on
the page by a ``Drawing`` (`page/drawings.py`) or into files (`files/answer.py`), and let `tests/test_plots.py` look at
it. matplotlib is slow to import: modules here import it where it is used.
"""

"""What does an answer look like as a picture? Figures for screens, pages and paper, in one style.

A module a question; `tailrace.plots` hands their functions on. A function takes answers and a ``width`` ("wide" for a
page, "narrow" for a telephone) and returns a ``Figure`` from `style.canvas`, never by pyplot. Colours, markers, dashes
and sizes come from `style`, names from outside pass through ``style.shown``, estimates through ``style.figures`` (what
is not known is left out, never drawn as 0), names of figures come from `tailrace.quantity`, and no two lines or bars
differ by colour alone. `lines` draws whatever is a line over one axis, panel by panel. `save` makes files, and SVG for
a page whose colours are the page's.

To add a picture: write its function here, look at it at both widths, and add it to ``every_figure`` of
`tests/test_plots.py`, which measures its texts. A ``Drawing`` in `page.drawings` puts it on the page; `files.answer`
writes files of it.
"""

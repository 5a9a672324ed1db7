"""What does one hand over? The answer as a page that stands by itself.

`study.account` gathers the runs behind it, `drawings` the pictures with their text alternatives, `tables` the tables
that only a page has, `words` the question in words; `site` makes a page from a template, which escapes all it is given,
and says what a picture of a page is (``Drawing``); `page` fills ``page.html``, whose macros and style stand in
``parts.html`` and ``page.css``, since other pages use them as well.

To add a section: put what it shows under a name of its own into the mapping of `page` (a sentence, a ``Table`` of
`tailrace.report.columns`, a ``Drawing``), and write it in ``page.html``, where the macros ``table(given, label)`` and
``picture(given)`` draw the latter two; a table's reasons for what is not known come below it by themselves. Look at a
change at 360, 800 and 1,400 px, in dark mode and as PDF.
"""

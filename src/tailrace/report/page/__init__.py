"""What does one hand over? The answer as a page that stands by itself: no network, no script, no other file.

`site.py` fills in templates and says what a picture of a page is (`Drawing`); lessons use it as well. `page.py` gathers
what `page.html` shows of each scenario; `drawings.py` has the pictures of a report, `tables.py` the tables that only a
page has, `words.py` what is asked of the server in words.

To add a section: put what it shows under a name of its own into the mapping of `page.py` (a sentence, a `Table` of
`tailrace.report.columns`, a `Drawing`), and write it in `page.html`, where the macros `table(given, label)` and
`picture(given)` draw the latter two; a table's reasons for what is not known come below it by themselves. Every picture
has a text alternative, and its numbers in a table.
"""

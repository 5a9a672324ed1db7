"""What does one hand over? The answer as a page that stands by itself.

`study.account` gathers the runs behind it, `drawings` the pictures with their text alternatives, `tables` the numbers,
`words` the question in words; `site` makes a page from a template, which escapes all it is given, and `page` fills
``page.html``. Look at a change at 360, 800 and 1,400 px, in dark mode and as PDF.
"""

"""The manual: one page a question, in Markdown, which a terminal and a code host show alike (`terminal`).

To add a page, put ``NAME.md`` here. Its first line is its question, as a heading; ``tailrace guide`` lists it by that.
What follows from the program itself is never copied into a page: ``<!-- made: KIND -->`` on a line of its own stands
for it, and `tailrace.cli.guide` makes it. What tables of `results/` say is put in by ``experiments/tour.py``.

`tests/test_guide.py` holds every page. Each command parses; its files are in ``shared/`` or made by the page, by an
earlier command or by a block that names the file behind its language (``csv points.csv``); the keys that it sets are
known. **The first command of a page is carried out**, with short runs, so a page begins with a cheap one. So is each
that is a block by itself with a block of text right behind it, which has to be what comes out (``[...]`` for what is
left out). In a terminal nothing is wider than 80 columns: a line of code has at most 78.
"""

from __future__ import annotations

from importlib.resources import files


def pages() -> dict[str, str]:
    """The text of each page, by its name, in order of the names."""
    found = (each for each in files("tailrace.guide").iterdir() if each.name.endswith(".md"))
    texts = {each.name.removesuffix(".md"): each.read_text(encoding="utf-8") for each in found}
    return dict(sorted(texts.items()))


def question(page: str) -> str:
    """The question that a page answers: its first line."""
    return page.partition("\n")[0].removeprefix("# ")

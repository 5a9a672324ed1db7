"""The lessons: short series of runs that show one thing each, and what is claimed of them.

A lesson is a folder NAME with two modules, and its title in `LESSONS`:

- ``run.py`` has ``run(trials)``, which carries out the runs by `trials.Trials` and returns what was found, in a frozen
  class of its own; and ``claims(found)``, which says as `trials.Claim`, a figure and the range in which it has to lie,
  what the lesson says in words. ``agrees`` makes one of an estimate beside an exact value. The servers stand in
  `servers`, once for all lessons.
- ``page.py`` has ``lesson(found)``, a `lesson.Lesson`: a question, chapters of a heading, paragraphs and drawings, and
  what was simulated. `lines.drawing` makes lines with their table of numbers, `lines.latencies` one of these lines; a
  figure in a paragraph is written by `lesson.written` from what was found, never by hand.

`starts` says where each lesson begins in a live page: a question, a scenario, and two keys to turn.

`give` makes page and pictures of a lesson by its name. `tests/test_lessons.py` holds every claim of every lesson of the
list, so a new one needs no test of its own but claims that could fail.
"""

LESSONS = {
    "small-blocks": "Why spinning drives collapse at small block sizes",
    "queue-depth": "Throughput is bought with latency",
    "tail": "Why the p99 grows before the mean does",
    "sharing": "One large stream beside small requests",
    "pooling": "One queue for all servers, or a queue for each",
    "fan-out": "A request in parts waits for the slowest of them",
    "many-small": "Many small servers, or a large one",
}
"""The title of each lesson, by the name that it has on the command line."""

"""From the name of a lesson to its files."""

from __future__ import annotations

from collections.abc import Sequence
from importlib import import_module

from tailrace.lessons import LESSONS
from tailrace.lessons.lesson import Lesson, lesson_page
from tailrace.lessons.trials import Trials
from tailrace.report.pictures.save import PictureKind, picture_bytes


def give(name: str, trials: Trials, kinds: Sequence[PictureKind] = ()) -> dict[str, str | bytes]:
    """Carry out the runs of a lesson; its page, and its pictures of these kinds, by file name.

    Raises:
        KeyError: no lesson has that name.
        SettingError: the engine is not known or not installed.
    """
    title = LESSONS[name]
    runs, page = (
        import_module(f"tailrace.lessons.{name.replace('-', '_')}.{each}") for each in ("run", "page")
    )
    found = runs.run(trials)
    told: Lesson = page.lesson(found)
    files: dict[str, str | bytes] = {
        f"{name}.html": lesson_page(name, title, told, runs.claims(found), trials)
    }
    for place, each in enumerate(told.drawings, 1):
        for kind in kinds:
            files[f"{name}-{place}-{each.name}.{kind}"] = picture_bytes(each.figure("wide"), kind)
    return files

"""From the name of a lesson to its files."""

from __future__ import annotations

from collections.abc import Sequence
from importlib import import_module

from tailrace.lessons import LESSONS
from tailrace.lessons.effort import Effort
from tailrace.lessons.lesson import Lesson, lesson_page
from tailrace.report.pictures.save import Kind, picture_bytes


def give(name: str, effort: Effort, kinds: Sequence[Kind] = ()) -> dict[str, str | bytes]:
    """Carry out the runs of a lesson; its page, and its pictures of these kinds, by file name.

    The module of a lesson in ``study.lessons`` has ``run(effort)`` and ``claims(found)``; the one of the same name in
    this package has ``lesson(found)``.

    Raises:
        KeyError: no lesson has that name.
        SettingError: the engine is not known or not installed.
    """
    title = LESSONS[name]
    module = name.replace("-", "_")
    study = import_module(f"tailrace.lessons.{module}.run")
    found = study.run(effort)
    told: Lesson = import_module(f"tailrace.lessons.{module}.page").lesson(found)
    files: dict[str, str | bytes] = {
        f"{name}.html": lesson_page(name, title, told, study.claims(found), effort.seed)
    }
    for place, each in enumerate(told.drawings, 1):
        for kind in kinds:
            files[f"{name}-{place}-{each.name}.{kind}"] = picture_bytes(each.figure("wide"), kind)
    return files

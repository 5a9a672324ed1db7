"""Lessons: what each of them claims is so, what it draws has its numbers, and its page stands alone."""

from __future__ import annotations

import math
from collections.abc import Sequence
from dataclasses import replace
from importlib import import_module
from pathlib import Path
from typing import Any

import pytest
from typer.testing import CliRunner

from tailrace.cli import app
from tailrace.lessons import LESSONS, give
from tailrace.lessons.lesson import claims_table, lesson_page
from tailrace.lessons.trials import Claim, Trials, agrees
from tailrace.measure.interval import IntervalEstimate
from tailrace.report.pictures.save import picture_bytes
from tailrace.report.sentences import limit_sentence
from tailrace.study.curve import CurvePoint

NAMES = list(LESSONS)
LONG = ("sharing", "small-blocks", "pooling", "queue-depth", "tail", "many-small")
"""Lessons whose runs take long."""


def module(name: str, which: str) -> Any:
    return import_module(f"tailrace.lessons.{name.replace('-', '_')}.{which}")


@pytest.mark.parametrize(
    "name", [pytest.param(name, marks=[pytest.mark.whole] if name in LONG else []) for name in NAMES]
)
def test_whatever_a_lesson_claims_holds_and_its_page_has_pictures_in_words_and_numbers(name: str) -> None:
    # One test for all that rests on a lesson's runs, so that they are carried out once, in whichever process.
    pytest.importorskip("numba")
    trials = Trials()
    found = module(name, "run").run(trials)
    claims = module(name, "run").claims(found)
    assert len(claims) >= 6
    assert [claim for claim in claims if not claim.holds] == []
    assert_ranges_are_narrow_enough_to_say_something(claims)
    if name == "queue-depth":
        assert_is_what_long_runs_give(found.flash.points[-1])
    told = module(name, "page").lesson(found)
    assert_stands_alone(lesson_page(name, LESSONS[name], told, claims, trials), len(told.drawings))
    for each in told.drawings:
        assert each.alternative
        assert picture_bytes(each.figure("wide"), "png").startswith(b"\x89PNG")
        for _, table in each.numbers:
            assert all(len(row) == len(table.heads) for row in table.rows)


def test_every_folder_is_a_lesson_of_the_list() -> None:
    folders = [folder.name for folder in Path(give.__file__).parent.iterdir() if (folder / "run.py").exists()]
    assert sorted(folders) == sorted(name.replace("-", "_") for name in NAMES)


def assert_ranges_are_narrow_enough_to_say_something(claims: Sequence[Claim]) -> None:
    for claim in claims:
        assert claim.high - claim.low < 0.6 * (claim.high + claim.low), claim


def assert_is_what_long_runs_give(deepest: CurvePoint) -> None:
    # 256 reads on a flash drive begin at once, and the slowest of them gather for longer than a request takes. Own runs
    # of 600,000 requests x 16: 439,540 ±20 reads a second, where runs of 6,000 that are not settled say 434,240 ±150.
    rate = deepest.result.classes[0].all.rate_per_s
    assert deepest.value == 256
    assert rate.value == pytest.approx(439_540, rel=2e-4)
    assert rate.half_width < 100
    assert not any("not settled" in note for note in deepest.result.notes)
    assert limit_sentence(deepest.result).startswith(
        "The lane, outbound, limits the closed classes: 100.0 % busy."
    )


def assert_stands_alone(page: str, drawings: int) -> None:
    assert page.startswith("<!DOCTYPE html>") or "<!DOCTYPE html>" in page[:200]
    assert "<script" not in page
    assert "http://" not in page.replace("http://www.w3.org/", "")
    assert page.count('role="img"') == 2 * drawings
    assert page.count("The numbers in this picture") == drawings
    assert len(page) < 2_000_000
    assert "not known" not in page
    assert "nan" not in page.lower().replace("nanosecond", "")


def test_a_claim_fails_outside_its_range_and_where_nothing_is_known() -> None:
    claim = Claim("so many", 1.0, 0.5, 1.5)
    assert claim.holds
    assert not replace(claim, found=1.6).holds
    assert not replace(claim, found=math.nan).holds
    seen = IntervalEstimate(1.0, 0.9, 1.1, 100, "sectioning")
    assert agrees("so long", seen, 1.19, factor=1.0).holds
    assert not agrees("so long", seen, 1.21, factor=1.0).holds
    assert not agrees("so long", IntervalEstimate.unknown(3, "too few"), 1.0).holds
    assert claims_table([replace(claim, found=math.nan)]).rows[0][1:] == ("not known", "0.5 to 1.5", "no")


def test_a_lesson_without_a_name_lists_them_and_a_wrong_one_is_told_which_there_are(tmp_path) -> None:
    listed = CliRunner().invoke(app, ["lesson"])
    assert listed.exit_code == 0
    assert all(name in listed.stdout and title in listed.stdout for name, title in LESSONS.items())
    wrong = CliRunner().invoke(app, ["lesson", "tails", "--out", str(tmp_path)])
    assert wrong.exit_code == 2
    assert wrong.stderr == f"tailrace: lesson is 'tails'; accepted: {', '.join(NAMES)}\n"
    assert "--out is missing" in CliRunner().invoke(app, ["lesson", "tail"]).stderr


@pytest.mark.whole
def test_both_engines_give_the_same_lesson_and_the_command_writes_it(tmp_path, monkeypatch) -> None:
    pytest.importorskip("numba")
    lesson = module("fan-out", "run")
    monkeypatch.setattr(lesson, "PARTS", (1, 2, 16))
    small = {
        engine: lesson.run(Trials(engine=engine, replications=4, share=0.05))
        for engine in ("reference", "compiled")
    }
    assert {parts: [small[engine].latency_s(parts, "mean") for engine in small] for parts in (1, 2, 16)} == {
        parts: [small["reference"].latency_s(parts, "mean")] * 2 for parts in (1, 2, 16)
    }
    monkeypatch.undo()
    done = CliRunner().invoke(app, ["lesson", "fan-out", "--out", str(tmp_path), "--pictures", "svg"])
    assert done.exit_code == 0
    assert sorted(path.name for path in tmp_path.iterdir()) == [
        "fan-out-1-parts.svg",
        "fan-out-2-distribution.svg",
        "fan-out.html",
    ]

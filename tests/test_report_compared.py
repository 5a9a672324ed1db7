"""Several scenarios in one report: what their comparison finds stands in it, from the command line on."""

from __future__ import annotations

import re
from pathlib import Path

import pytest
from typer.testing import CliRunner

from drives import generic
from tailrace.cli import app
from test_report_page import Page

SCENARIO = f"""
title = "{{title}}"
{generic("exponential", mean="MEAN")}
[[workload]]
name = "booking"
rate = "200 /s"
request_size = "8 KiB"
[run]
requests = 1000
replications = 4
seed = 3
"""


def test_a_report_of_two_files_tells_their_paired_differences_and_names_files_of_one_name_apart(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    # The curves around the answers are no part of this, and take most of the time.
    monkeypatch.setattr("tailrace.study.account.load_curve", lambda *_, **__: None)
    files = []
    for folder, mean in (("now", "2 ms"), ("then", "1 ms")):
        (tmp_path / folder).mkdir()
        files.append(tmp_path / folder / "ferry.toml")
        files[-1].write_text(SCENARIO.replace("MEAN", mean).replace("{title}", folder))
    out = tmp_path / "page.html"
    how = ["--workers", "1", "--quiet"]
    done = CliRunner().invoke(app, ["report", *map(str, files), "--out", str(out), *how])
    assert done.exit_code == 0, done.output
    text = " ".join(Page(out.read_text(encoding="utf-8")).text.split())
    assert "keyferry (1)ferry (2)" in text
    differences = text.partition("Class booking: ferry (2) against ferry (1)")[2].partition("now")[0]
    # M/M/1 (exact): 1 / (500 - 200) against 1 / (1,000 - 200) seconds in the mean.
    ratio, half = map(float, re.findall(r"(0\.\d+) ±(0\.\d+)", differences.partition("p50")[0])[0])
    assert 0 < half < 0.05
    assert ratio == pytest.approx(300 / 800, abs=2 * half)
    assert text.count("seed 3") >= 2

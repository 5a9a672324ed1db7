"""What is handed out: the wheel holds all that the program reads, and the checks end where they could not be made."""

from __future__ import annotations

import os
import shutil
import subprocess
import sys
from pathlib import Path
from zipfile import ZipFile

import pytest

ROOT = Path(__file__).parent.parent
PACKAGE = ROOT / "src" / "tailrace"
MADE = {".py", ".pyc", ".nbi", ".nbc"}
"""Sources, and what Python and numba keep of them."""


def run(*command: str | Path, **env: str) -> subprocess.CompletedProcess[str]:
    return subprocess.run(
        [str(each) for each in command], capture_output=True, text=True, env=os.environ | env
    )


@pytest.mark.whole
def test_a_wheel_holds_pages_templates_units_and_parts_and_runs(tmp_path: Path) -> None:
    # From a copy, so that nothing is built beside the sources.
    copy = tmp_path / "copy"
    shutil.copytree(ROOT, copy, ignore=shutil.ignore_patterns(".git", "__pycache__", ".venv", "results"))
    built = run(sys.executable, "-m", "pip", "wheel", "--quiet", "--no-deps", "-w", tmp_path, copy)
    assert built.returncode == 0, built.stderr
    (wheel,) = tmp_path.glob("tailrace-*.whl")
    held = set(ZipFile(wheel).namelist())
    read = [each.relative_to(PACKAGE.parent).as_posix() for each in PACKAGE.rglob("*") if each.is_file()]
    read = [name for name in read if Path(name).suffix not in MADE]
    assert "tailrace/units.txt" in read
    assert sum(name.startswith("tailrace/guide/") for name in read) > 10
    assert sum(name.endswith(".html") for name in read) > 1
    parts = [
        f"tailrace/scenario/catalogue/{each.name}" for each in (ROOT / "shared" / "hardware").glob("*.toml")
    ]
    assert len(parts) > 5
    assert sorted({*read, *parts} - held) == []
    assert not any("test" in Path(name).parts[0] for name in held)

    home = tmp_path / "home"
    placed = run(sys.executable, "-m", "pip", "install", "--quiet", "--no-deps", "--target", home, wheel)
    assert placed.returncode == 0, placed.stderr
    there = {"PYTHONPATH": str(home)}
    where = run(sys.executable, "-c", "import tailrace; print(tailrace.__file__)", **there)
    assert Path(where.stdout.strip()).is_relative_to(home)
    command = home / "bin" / "tailrace"
    helped = run(command, "--help", **there)
    assert helped.returncode == 0
    assert "tailrace" in helped.stdout
    told = run(command, "guide", "tutorial", **there)
    assert told.returncode == 0, told.stderr
    assert len(told.stdout) > 2000
    # The scenario takes up parts of the catalogue, which a wheel has inside of the package, and its units.
    scenario = ROOT / "shared" / "scenarios" / "booking-flash.toml"
    shown = run(
        command, "run", scenario, "--set", "run.requests=1000", "--set", "run.replications=2", **there
    )
    assert "Seat booking on twelve flash drives" in shown.stdout, shown.stderr


def test_the_checks_end_with_a_reason_where_there_is_no_browser(tmp_path: Path) -> None:
    for name in ("bash", "dirname", "id", "python3"):
        found = sys.executable if name == "python3" else shutil.which(name)
        if found is None:
            pytest.skip(f"no {name} here")
        (tmp_path / name).symlink_to(found)
    ended = run("bash", ROOT / ".ci" / "run", PATH=str(tmp_path))
    assert ended.returncode == 1
    assert "no chromium, chromium-browser or google-chrome is on the PATH" in ended.stderr
    assert ended.stdout == ""

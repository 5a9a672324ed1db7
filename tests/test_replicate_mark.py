"""What was kept is not taken for what today's code would give, whatever of it has changed."""

import shutil
from collections.abc import Iterator
from contextlib import contextmanager
from pathlib import Path

import pytest

from shortened import shortened
from tailrace.replicate.mark import PACKAGE, deciding_files, mark_of


@pytest.fixture(scope="module")
def package(tmp_path_factory: pytest.TempPathFactory) -> Path:
    copy = tmp_path_factory.mktemp("copy") / "tailrace"
    shutil.copytree(PACKAGE, copy, ignore=shutil.ignore_patterns("__pycache__"))
    return copy


def test_every_module_that_a_replication_imports_is_part_of_the_mark(package: Path) -> None:
    # Asked of Python itself: all that a fresh process has loaded once it has carried out a replication.
    import subprocess
    import sys

    code = (
        "import sys; from tailrace.scenario import load; from tailrace.replicate.task import Task, perform\n"
        f"scenario = load({str(PACKAGE.parents[1] / 'shared/scenarios/booking-transactions.toml')!r})\n"
        "for engine in ('reference', 'compiled'):\n"
        "    perform(Task(scenario, 3, 0, 1000, engine))\n"
        "print(*(m.__file__ for n, m in sys.modules.items() if n.startswith('tailrace.')), sep='\\n')"
    )
    done = subprocess.run([sys.executable, "-c", code], capture_output=True, text=True, check=True)
    loaded = {Path(each) for each in done.stdout.split()}
    assert len(loaded) > 60
    assert loaded <= set(deciding_files(PACKAGE))


@pytest.fixture(scope="module")
def before(package: Path) -> str:
    return mark_of(package)


@contextmanager
def changed(*files: Path) -> Iterator[None]:
    """The files with a line more, and as they were afterwards."""
    content = {each: each.read_bytes() for each in files}
    try:
        for each in files:
            each.write_bytes(content[each] + b"\n# changed\n")
        yield
    finally:
        for each in files:
            each.write_bytes(content[each])


@pytest.mark.parametrize(
    "name",
    shortened(
        [
            "measure/quantile.py",
            "measure/spectrum.py",
            "trace/recording.py",
            "trace/table.py",
            "arrays.py",
            "quantity.py",
            "units.txt",
            "replicate/gather.py",
            "plan/flash.py",
            "engine/loop/kernel.py",
            "physics/arm.py",
        ],
        kept={"measure/quantile.py", "trace/table.py", "units.txt", "engine/loop/kernel.py"},
    ),
)
def test_a_change_of_what_decides_makes_kept_results_stale(package: Path, before: str, name: str) -> None:
    with changed(package / name):
        assert mark_of(package) != before


def test_a_change_of_what_only_shows_or_judges_leaves_them_valid(package: Path, before: str) -> None:
    shown = ("report/sentences.py", "answer/run.py", "cli/verbs.py", "theory/mmc.py")
    with changed(*(package / name for name in shown)):
        assert mark_of(package) == before

"""How soon does the live page answer a change: by closed form, and simulated?

A browser drives the page as a hand does: another load is typed into its field, and the page itself notes when the first
answer to that stands there, and when the first simulated one does. Most changes come while the work for the one before
is under way, and stop it; some wait until that is finished. Milliseconds on a shared machine say little: look at the
median, and at the worst beside it.
"""

from __future__ import annotations

import argparse
import os
import re
import shutil
import signal
import subprocess
import sys
from collections.abc import Iterator
from contextlib import contextmanager
from typing import Any

import numpy as np
import pandas as pd
from matplotlib.figure import Figure

import drawn
from record import ROOT, SCENARIOS, recorded
from tailrace.report.pictures import style

SCENARIO = "booking-flash-busy.toml"
CHANGES, CALM = 50, 10
WANTED_S = {"first": 0.3, "simulated": 1.0}
BROWSERS = ("chromium", "chromium-browser", "google-chrome")
COMMAND = "import sys; from tailrace.cli import main; sys.argv[0] = 'tailrace'; main()"

TIMED = """([load, finish]) => new Promise((found) => {
    const main = document.getElementById("answer"), times = {};
    const field = document.querySelector("input[type=text][data-key='load']");
    const number = String(asked + 1), began = performance.now();
    const look = () => {
        if (main.dataset.number !== number) return;
        const now = (performance.now() - began) / 1000, step = Number(main.dataset.step);
        times.first ??= now;
        if (step > 0) times.simulated ??= now;
        if (step === 3) times.finished ??= now;
        if (finish ? times.finished : times.simulated) { watch.disconnect(); found(times); }
    };
    const watch = new MutationObserver(look);
    watch.observe(main, {attributes: true});
    field.value = load;
    field.dispatchEvent(new Event("change", {bubbles: true}));
})"""
"""Sets a load, and gives the seconds until the page shows a first, a simulated and a finished answer to it."""


@contextmanager
def opened(settings: list[str]) -> Iterator[Any]:
    """The page in a browser, once it has answered for the first time."""
    from playwright.sync_api import sync_playwright

    browser = next(found for name in BROWSERS if (found := shutil.which(name)))
    command = [sys.executable, "-c", COMMAND, "live", str(SCENARIOS / SCENARIO), *settings]
    with subprocess.Popen(command, cwd=ROOT, stdout=subprocess.PIPE, text=True) as server:
        try:
            address = None
            while address is None:
                assert server.stdout is not None
                address = re.search(r"http://\S+", server.stdout.readline())
            with sync_playwright() as driver:
                launched = driver.chromium.launch(executable_path=browser, args=["--no-sandbox"])
                tab = launched.new_page(viewport={"width": 1400, "height": 900})
                tab.set_default_timeout(120_000)
                tab.goto(address[0])
                tab.locator("#answer[data-done='1']").wait_for()
                yield tab
                launched.close()
        finally:
            server.send_signal(signal.SIGINT)


def measured(options: argparse.Namespace) -> pd.DataFrame:
    """Loads from half to one and a half times, each another, so that nothing is remembered."""
    changes, calm = (3, 1) if options.quick else (CHANGES, CALM)
    short = ["--set", "run.requests=2000", "--set", "run.replications=2"] if options.quick else []
    loads = np.random.default_rng(options.seed).permutation(np.linspace(0.5, 1.5, changes + calm))
    rows = []
    with opened(short) as tab:
        for place, load in enumerate(loads):
            finish = place < calm
            times = tab.evaluate(TIMED, [f"{load:.6g}", finish])
            before = "finished" if place <= calm else "under way"
            rows.append({"load": load, "work_before": before, "finished": None, **times})
    frame = pd.DataFrame(rows).rename(
        columns=lambda name: f"{name}_s" if name in (*WANTED_S, "finished") else name
    )
    frame["cores"], frame["others_at_work"] = os.cpu_count(), os.getloadavg()[0]
    return frame[["load", "work_before", "first_s", "simulated_s", "finished_s", "cores", "others_at_work"]]


def picture(frame: pd.DataFrame) -> Figure:
    figure, (axis,) = drawn.panels(1, 1, 4.0)
    for place, (name, wanted) in enumerate(WANTED_S.items()):
        look, seconds = style.line(place), np.sort(frame[f"{name}_s"])
        said = {"first": "first answer, as a rule by closed form", "simulated": "first simulated answer"}[
            name
        ]
        share = 100 * (np.arange(len(seconds)) + 1) / len(seconds)
        axis.step(seconds, share, where="post", color=look.colour, linestyle=look.dash, label=said)
        axis.axvline(
            wanted, color=look.colour, linewidth=0.9, linestyle=(0, (1, 1.5)), label=f"wanted: {wanted:g} s"
        )
    axis.set_xlim(left=0)
    axis.set_xlabel("time since the change, s")
    axis.set_ylabel("changes answered by then, %")
    style.legend(figure, [axis], "wide")
    drawn.title(axis, f"{len(frame)} changes of the load")
    return figure


def main() -> None:
    frame = recorded("live_page", __doc__.splitlines()[0], measured, picture)
    for name, wanted in WANTED_S.items():
        seconds = frame[f"{name}_s"]
        print(
            f"{name}: median {seconds.median():.2f} s, worst {seconds.max():.2f} s, "
            f"{int((seconds <= wanted).sum())} of {len(seconds)} within {wanted:g} s"
        )


if __name__ == "__main__":
    main()

"""Does answering every design of the ready choice one by one find the one that was chosen?

Every design of `summer-offer.toml` that can be is answered in each of its conditions by itself, as long as the default
takes, by another seed. The least of those that keep every promise has to be the one that `choose` names.
"""

from __future__ import annotations

from argparse import Namespace
from collections.abc import Mapping

import pandas as pd
from matplotlib.figure import Figure

from parallel import Parallel
from record import SCENARIOS, recorded
from tailrace.report.pictures import style
from tailrace.scenario.reading.read import load
from tailrace.scenario.tables.scenario import Scenario
from tailrace.study.choose import choose
from tailrace.study.conditions import conditions

OFFER = SCENARIOS / "summer-offer.toml"
QUICK = ["server.media.part=flash-two-lanes,spinning-7200", "server.network.ports=1,2"]
SHORT = ["run.requests=20000", 'workload.manifests.rate="600 /s"']
"""Runs of some seconds, in which there are manifests enough all the same."""
VERDICTS = ("met", "missed", "overloaded", "undecided")


def answered(scenario: Scenario, seed: int) -> Mapping[str, object]:
    """What one design does by itself."""
    found = conditions(scenario.model_copy(update={"choice": None}), seed=seed, workers=1)
    return {
        "answered": found.verdict,
        "answered_requests": sum(each.result.requests for each in found.conditions),
    }


def measured(given: Namespace) -> pd.DataFrame:
    """A row for each design that can be: what the choice says of it, and what it does by itself."""
    quick = given.quick
    found = choose(load(OFFER, overrides=SHORT if quick else []), QUICK if quick else (), seed=given.seed)
    possible = [each for each in found.offers if each.candidate.scenario is not None]
    with Parallel(quick) as crew:
        every = list(crew.run(answered, [(each.candidate.scenario, given.seed + 1) for each in possible]))
    return pd.DataFrame(
        {
            "design": each.candidate.brief,
            "cost": each.candidate.least,
            "chosen": each is found.chosen,
            "choice": each.verdict or "nobody looked",
            "choice_requests": each.tried.requests if each.tried else 0,
            **mine,
        }
        for each, mine in zip(possible, every, strict=True)
    )


def picture(frame: pd.DataFrame) -> Figure:
    """Designs by what they take, and what they do by themselves; the one that was chosen has a ring."""
    figure, (axes,) = style.canvas("wide", 3.2)
    for place, verdict in enumerate(VERDICTS):
        mine, look = frame[frame.answered == verdict], style.line(place)
        axes.plot(
            mine.cost,
            [verdict] * len(mine),
            linestyle="none",
            marker=look.marker,
            color=look.colour,
            alpha=0.7,
        )
    chosen = frame[frame.chosen]
    axes.plot(
        chosen.cost, chosen.answered, linestyle="none", marker="o", markersize=15, fillstyle="none",
        color=style.INK, label="chosen",
    )  # fmt: skip
    style.title(axes, f"{len(frame)} designs, each answered by itself", "wide")
    axes.set_xlabel("price and energy of four years")
    style.legend(figure, [axes], "wide", "")
    return figure


def summary(frame: pd.DataFrame) -> str:
    """What it comes to, in words."""
    kept = frame[frame.answered == "met"]
    same = bool(len(kept)) and bool(kept.iloc[0].chosen)
    share = frame.choice_requests.sum() / frame.answered_requests.sum()
    return (
        f"The least design that keeps every promise by itself {'is' if same else 'is not'} the one chosen; "
        f"the choice took {share:.1%} of the requests"
    )


def main() -> None:
    print(summary(recorded("choose_offer", __doc__.splitlines()[0], measured, picture)))


if __name__ == "__main__":
    main()

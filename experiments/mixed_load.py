"""What do large streams leave of the latency of small requests on one link, and what helps?

A link of 10 Gbit/s with small reads of 8 KiB at 5 % of it, beside large reads of 1 MiB: arriving at random, over the
share of the link that they take, and as streams that never pause, over their number. In order of arrival, in pieces of
64 KiB that take turns, small ones first (whole or between pieces), and all sharing the rate. Means and p99 of the small
ones are simulated beside M/G/1, Cobham's priorities and processor sharing wherever these are exact.
"""

from __future__ import annotations

import numpy as np
import pandas as pd
from matplotlib.figure import Figure
from scipy.optimize import brentq

import drawn
from record import recorded
from sharing import closed_forms
from simulated import Runs, by_runs, row
from tailrace import theory
from tailrace.lessons.sharing.run import LARGE_BYTES, LINK, LINK_BYTES_PER_S, SMALL_BYTES, rates
from tailrace.report.pictures import style
from tailrace.scenario.reading.read import parse
from tailrace.scenario.tables.scenario import Scenario

PIECE_BYTES = 64 * 1024
WAYS = {
    "in order of arrival": ("fcfs", LARGE_BYTES, False),
    "in pieces, in turn": ("fcfs", PIECE_BYTES, False),
    "small ones first": ("fcfs", LARGE_BYTES, True),
    "small ones first, in pieces": ("fcfs", PIECE_BYTES, True),
    "sharing": ("ps", LARGE_BYTES, False),
}
"""Discipline of the link, bytes that it serves at once, and whether small requests go first."""

REST_S = 1e-6 + 1 / LINK_BYTES_PER_S
"""The medium, and the request's header of 1 byte."""
OWN_S, LARGE_S = SMALL_BYTES / LINK_BYTES_PER_S, LARGE_BYTES / LINK_BYTES_PER_S


def scenario(way: str, load: float | None, streams: int = 0) -> Scenario:
    """Large requests at random that take ``load`` of the link, or so many streams of them."""
    discipline, piece, first = WAYS[way]
    small, large = rates(load or 0.0)
    text = LINK.replace("DISCIPLINE", discipline).replace("SMALL", repr(small))
    text = text.replace('transfer_piece = "1 MiB"', f'transfer_piece = "{piece} B"')
    if load is None:
        text = text.replace(
            'rate = "LARGE /s"', f'clients = {streams}\nqueue_depth = 1\npattern = "sequential"'
        )
    return parse(text.replace("LARGE", repr(large)) + ("priority = 1\n" if first else ""))


def first_of_all(held_s: float, busy: float) -> dict[str, float]:
    """Mean and p99 of small requests that go first, beside pieces of ``held_s`` that take a share ``busy`` of the time.

    Wait = wait of M/D/1 with the small ones alone, and, with the probability busy/(1 - their own load), the rest of a
    piece beside it, uniform up to ``held_s``: exact whenever the pieces arrive (decomposition of M/G/1 with vacations,
    Fuhrmann and Cooper, Operations Research 33(5), 1985, from memory). The mean is Cobham's.
    """
    rate = rates(0.0)[0]
    met = busy / (1 - rate * OWN_S)
    step = OWN_S / 200
    longer = np.array([theory.md1_wait_tail((k + 0.5) * step, rate, OWN_S) for k in range(200 * 12)])
    below = np.concatenate([[0.0], np.cumsum(longer) * step])

    def tail(t_s: float) -> float:
        """P(wait > t)."""
        own, spent = theory.md1_wait_tail(t_s, rate, OWN_S), np.arange(below.size) * step
        both = max(held_s - t_s, 0.0) + np.diff(np.interp([max(t_s - held_s, 0.0), t_s], spent, below))[0]
        return float((1 - met) * own + met * both / held_s)

    wait_s = brentq(lambda t: tail(t) - 0.01, 0.0, held_s + 10 * OWN_S)
    mean = float(theory.mg1_wait_mean(rate, OWN_S, 0.0)) + met * held_s / 2
    return {"mean": REST_S + OWN_S + mean, "p99": REST_S + OWN_S + wait_s}


def at_random(way: str, load: float) -> dict[str, float]:
    """Closed forms beside large requests that arrive at random; in pieces and in turn there is none."""
    discipline, piece, first = WAYS[way]
    if first:
        return first_of_all(piece / LINK_BYTES_PER_S, load)
    return closed_forms(discipline, load) if piece == LARGE_BYTES else {}


def beside_streams(way: str, streams: int) -> dict[str, float]:
    """Closed forms beside streams that never pause, one request each, so that the link is never idle.

    In order of arrival, by the mean value of what an arrival finds: the rest of what is being served, all other large
    ones (or pieces), and the small ones that wait. Sharing: (streams + 1) times the service over 1 - load, for every
    law (van den Berg and Boxma, Queueing Systems 9, 1991, from memory; by Little from the product form). Exact but for
    the microsecond in which a stream asks for the next.
    """
    discipline, piece, first = WAYS[way]
    held_s, load = piece / LINK_BYTES_PER_S, rates(0.0)[0] * OWN_S
    if first:
        return first_of_all(held_s, 1 - load)
    if discipline == "ps":
        return {"mean": REST_S + OWN_S * (streams + 1) / (1 - load)}
    found = load * (OWN_S / 2 + streams * held_s) + (1 - load) * (streams - 0.5) * held_s
    return {"mean": REST_S + OWN_S + found / (1 - load)}


def measured(runs: Runs) -> pd.DataFrame:
    loads = (0.3, 0.6) if runs.quick else (0.05, 0.1, 0.2, 0.3, 0.4, 0.5, 0.6, 0.7, 0.8, 0.9)
    counts = (1, 4) if runs.quick else (1, 2, 4, 8, 16)
    requests = 9_000 if runs.quick else 200_000
    rows = []
    for way in WAYS:
        cases = [("at random", load, scenario(way, load), at_random(way, load)) for load in loads]
        cases += [
            ("streams", count, scenario(way, None, count), beside_streams(way, count)) for count in counts
        ]
        for beside, value, each, known in cases:
            found, _ = runs.figures(each, requests)
            rows += [
                {"way": way, "beside": beside, "value": value, "quantity": quantity}
                | {"closed_form_s": known.get(quantity, np.nan)}
                | row(found["booking"].latency_s[quantity])
                for quantity in ("mean", "p99")
            ]
    return pd.DataFrame(rows)


def picture(frame: pd.DataFrame) -> Figure:
    figure, axes = drawn.panels(2, 2, 7.6, sharex="col", sharey="row")
    cells = [(quantity, beside) for quantity in ("mean", "p99") for beside in ("at random", "streams")]
    for axis, (quantity, beside) in zip(axes, cells, strict=True):
        shown = frame[(frame.quantity == quantity) & (frame.beside == beside)]
        for place, (way, part) in enumerate(shown.groupby("way", sort=False)):
            x = 100 * part.value if beside == "at random" else part.value
            drawn.compared(axis, x, part.closed_form_s, part, place, way, 1e6)
        style.log_axis(axis.yaxis, (1.0,))
    counts = sorted(frame[frame.beside == "streams"].value.unique())
    axes[0].set_ylabel("mean of the small ones, us")
    axes[2].set_ylabel("p99 of the small ones, us")
    axes[2].set_xlabel("load of the large requests, %")
    style.power_axis(axes[3].xaxis, counts, [f"{count:.0f}" for count in counts])
    axes[3].set_xlabel("streams of large requests that never pause")
    drawn.legend(figure, axes[:1], f"{drawn.COMPARED}; dots join marks without one\n{drawn.SHORT}")
    return figure


def main() -> None:
    recorded("mixed_load", __doc__.splitlines()[0], by_runs(measured), picture)


if __name__ == "__main__":
    main()

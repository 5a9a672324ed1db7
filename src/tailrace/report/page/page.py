"""The report as one page of HTML that needs nothing else: no network, no script, no other file."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass
from typing import Any

from tailrace.answer.result import Result
from tailrace.answer.stations import StationResult
from tailrace.plan.columns import STAGES
from tailrace.report.columns.answer import stations, steps, targets
from tailrace.report.columns.studies import boxes
from tailrace.report.columns.theory import beside_simulated, method_sentences
from tailrace.report.figures import percent
from tailrace.report.page import drawings, tables, words
from tailrace.report.page.beside import told_alike
from tailrace.report.page.site import command, page
from tailrace.report.sentences import (
    binding_sentence,
    interval_sentence,
    method_sentence,
    transaction_sentence,
    verdict_sentence,
)
from tailrace.report.study_words import PAIRED, matching_sentences
from tailrace.study.account import Account
from tailrace.study.compare import Comparison

MOST_STATIONS = 12
"""Stations of a stage that the diagram shows."""
ROWS_OF_STAGE = 3
"""Stations one below the other in the diagram; more stand beside them, so that no stage is a mostly empty box."""


@dataclass(frozen=True)
class StationBar:
    """One station of the diagram: its name, what is there of it, and its load as a share, None where not known."""

    name: str
    many: str
    share: float | None
    said: str


def report_page(
    accounts: Sequence[Account],
    files: Sequence[str] = (),
    extras: Sequence[str] = (),
    comparison: Comparison | None = None,
) -> str:
    """The page of one scenario, or of several side by side in front.

    Args:
        accounts: what is to be told, scenario by scenario.
        files: the names of their files, for the command that repeats the report.
        extras: what else was asked for, by the names of the option `--with`.
        comparison: of the designs of several accounts: what each carries and costs, and by how much they differ.
    """
    several = len(accounts) > 1
    context: dict[str, Any] = {
        "title": accounts[0].result.title if not several else "Designs compared",
        "version": accounts[0].result.version,
        "compared": _compared(accounts, comparison) if several else None,
        "scenarios": [_told(each, f"s{place}", several) for place, each in enumerate(accounts)],
        "command": command(files, accounts[0].settings, extras, accounts[0].result.seed),
        "several": several,
    }
    return page("page.html", context)


def _told(each: Account, prefix: str, several: bool) -> dict[str, Any]:
    result = each.result
    return {
        **told_alike(each.scenario, result, each.source, each.settings, each.beside, prefix),
        "name": each.name if several else "",
        "verdict_said": verdict_sentence(result),
        "binding": binding_sentence(result),
        "targets": targets([("", result)]),
        "seen": tables.seen(result),
        "interval": interval_sentence(result) if result.classes else "",
        "stages": _diagram(each),
        "latency": list(drawings.latency(each, prefix)) if result.classes else [],
        "time_spent": list(drawings.time_spent(each, prefix)) if result.classes else [],
        "steps": [
            (found.name, transaction_sentence(found), steps(found)) for found in result.classes if found.steps
        ],
        "load": drawings.load(each, prefix),
        "theory": beside_simulated(result),
        "methods": method_sentences(result.theory),
        "stations": stations(result),
        "method": method_sentence(result),
    }


def _compared(accounts: Sequence[Account], comparison: Comparison | None) -> dict[str, Any]:
    """What stands in front of several scenarios, told side by side."""
    named = [(each.name, each.result) for each in accounts]
    said: dict[str, Any] = {
        "targets": targets(named),
        "picture": drawings.side_by_side(named),
        "inputs": tables.differing([(each.name, each.scenario) for each in accounts]),
        "boxes": None,
        "differences": [],
    }
    if comparison is not None:
        said["boxes"], said["matching"] = boxes(comparison), matching_sentences(comparison)
        said["differences"], said["paired"] = list(tables.differences_apart(comparison)), PAIRED
    return said


def _diagram(each: Account) -> list[dict[str, Any]]:
    """The four stages in the order in which a request passes them, with the load on their stations."""
    parts = words.stage_parts(each.scenario)
    return [
        {
            "name": stage,
            "place": place,
            "parts": parts[stage],
            "stations": (mine := _stations(each.result, stage)),
            "columns": max(-(-len(mine) // ROWS_OF_STAGE), 1),
        }
        for place, stage in enumerate(STAGES)
    ]


def _stations(result: Result, stage: str) -> list[StationBar]:
    mine = [one for one in result.stations if one.stage == stage and one.discipline != "delay"]
    return [_bar(one) for one in mine[:MOST_STATIONS]]


def _bar(station: StationResult) -> StationBar:
    many = f"{station.count:,}" if station.count > 1 else ""
    if station.servers > 1:
        many = f"{many}, each {station.servers:,}" if many else f"{station.servers:,}"
    busy, share = station.utilisation, station.share_of_saturation
    if busy is None:
        return StationBar(station.name, many, None, "not observed")
    said = f"{percent(busy)} % {'in use' if station.discipline == 'token' else 'busy'}"
    if share is not None and station.discipline == "arm":
        said += f", {percent(share)} % of saturation"
    return StationBar(station.name, many, min(busy, 1.0), said)

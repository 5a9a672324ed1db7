"""The report as one page of HTML that needs nothing else: no network, no script, no other file."""

from __future__ import annotations

import shlex
from collections.abc import Sequence
from dataclasses import dataclass
from pathlib import Path
from typing import Any

from tailrace.answer.result import Result, StationResult
from tailrace.report.figures import percent
from tailrace.report.page import figures, tables, words
from tailrace.report.pictures import style
from tailrace.report.pictures.stages import STAGES
from tailrace.report.sentences import (
    binding_sentence,
    interval_sentence,
    method_sentence,
    verdict_sentence,
)
from tailrace.report.terminal.headroom import headroom_sentence
from tailrace.report.terminal.relief import relief_sentence
from tailrace.report.terminal.steps import transaction_sentence
from tailrace.study.account import Account

MOST_STATIONS = 12
"""Stations of a stage that the diagram shows."""

VARIABLES = {
    "light": {"ink": style.INK, "faint": style.FAINT, "grid": style.GRID, "paper": style.PAPER}
    | {f"line{place}": colour for place, colour in enumerate(style.COLOURS)},
    "dark": {
        "ink": style.DARK_INK,
        "faint": style.DARK_FAINT,
        "grid": style.DARK_GRID,
        "paper": style.DARK_PAPER,
    }
    | {f"line{place}": colour for place, colour in enumerate(style.DARK_COLOURS)},
}


@dataclass(frozen=True)
class Bar:
    """One station of the diagram: its name, what is there of it, and its load as a share, None where not known."""

    name: str
    many: str
    share: float | None
    said: str


def report_page(accounts: Sequence[Account], files: Sequence[str] = (), extras: Sequence[str] = ()) -> str:
    """The page of one scenario, or of several with a comparison in front.

    Args:
        accounts: what is to be told, scenario by scenario.
        files: the names of their files, for the command that repeats the report.
        extras: what else was asked for, by the names of the option `--with`.
    """
    from jinja2 import Environment, FileSystemLoader, StrictUndefined

    environment = Environment(
        loader=FileSystemLoader(Path(__file__).parent),
        autoescape=True,
        undefined=StrictUndefined,
        trim_blocks=True,
        lstrip_blocks=True,
    )
    named = [(each.name, each.result) for each in accounts]
    several = len(accounts) > 1
    context: dict[str, Any] = {
        "title": accounts[0].result.title if not several else "Designs compared",
        "version": accounts[0].result.version,
        "variables": VARIABLES,
        "comparison": figures.side_by_side(named) if several else None,
        "scenarios": [_told(each, f"s{place}", several) for place, each in enumerate(accounts)],
        "command": _command(accounts, files, extras),
        "several": several,
    }
    return environment.get_template("page.html").render(context)


def _told(each: Account, prefix: str, several: bool) -> dict[str, Any]:
    result = each.result
    return {
        "id": prefix,
        "name": each.name if several else "",
        "title": result.title,
        "verdict": result.verdict,
        "verdict_said": verdict_sentence(result),
        "binding": binding_sentence(result),
        "question": [
            (
                workload.name,
                words.class_sentence(workload, each.scenario.load),
                words.promise_sentences(workload),
            )
            for workload in each.scenario.workload
        ],
        "targets": tables.targets(result),
        "interval": interval_sentence(result) if result.classes else "",
        "stages": _diagram(each),
        "latency": list(figures.latency(each, prefix)) if result.classes else [],
        "time_spent": list(figures.time_spent(each, prefix)) if result.classes else [],
        "steps": [
            (found.name, transaction_sentence(found), tables.steps(found))
            for found in result.classes
            if found.steps
        ],
        "load": figures.load(each, prefix),
        **_studies(each),
        "theory": tables.theory(result),
        "cautions": _doubts(result),
        "stations": tables.stations(result),
        "inputs": tables.all_inputs(each.scenario),
        "notes": list(result.notes),
        "method": method_sentence(result),
        "digest": result.digest,
        "source": each.source,
        "settings": list(each.settings),
    }


def _studies(each: Account) -> dict[str, Any]:
    """Sentences and tables of headroom and relief, where they were asked for."""
    headroom, relief = each.headroom, each.relief
    said: dict[str, Any] = {"headroom": None, "relief": None}
    if headroom is not None:
        said["headroom"] = (headroom_sentence(headroom), tables.tried(headroom))
    if relief is not None:
        both = (tables.changed(relief, rows) for rows in (relief.doubled, relief.halved))
        said["relief"] = (relief_sentence(relief), *both)
    return said


def _diagram(each: Account) -> list[dict[str, Any]]:
    """The four stages in the order in which a request passes them, with the load on their stations."""
    parts = words.stage_parts(each.scenario)
    return [
        {"name": stage, "place": place, "parts": parts[stage], "stations": _stations(each.result, stage)}
        for place, stage in enumerate(STAGES)
    ]


def _stations(result: Result, stage: str) -> list[Bar]:
    mine = [one for one in result.stations if one.stage == stage and one.discipline != "delay"]
    return [_bar(one) for one in mine[:MOST_STATIONS]]


def _bar(station: StationResult) -> Bar:
    many = f"{station.count:,}" if station.count > 1 else ""
    if station.servers > 1:
        many = f"{many}, each {station.servers:,}" if many else f"{station.servers:,}"
    busy, share = station.utilisation, station.share_of_saturation
    if busy is None:
        return Bar(station.name, many, None, "not observed")
    said = f"{percent(busy)} % {'in use' if station.discipline == 'token' else 'busy'}"
    if share is not None and station.discipline == "arm":
        said += f", {percent(share)} % of saturation"
    return Bar(station.name, many, min(busy, 1.0), said)


def _doubts(result: Result) -> list[str]:
    """Why closed forms are not to be trusted, or give no p99, class by class."""
    doubts = []
    for name, each in result.theory.classes.items():
        said = [each.caution or "", f"No p99: {each.p99_reason}." if each.p99_reason else ""]
        text = " ".join(part for part in said if part)
        if text:
            doubts.append(f"{name}: {text}")
    return doubts


def _command(accounts: Sequence[Account], files: Sequence[str], extras: Sequence[str]) -> str:
    """The command that makes this page again."""
    settings = [part for each in accounts[0].settings for part in ("--set", each)]
    asked = ["--with", ",".join(extras)] if extras else []
    seed = ["--seed", str(accounts[0].result.seed)]
    return shlex.join(["tailrace", "report", *files, *settings, *asked, *seed, "--out", "report.html"])

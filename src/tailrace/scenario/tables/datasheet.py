"""The parts of a flash drive that a scenario describes by datasheet figures, and why it may have none."""

from __future__ import annotations

from collections.abc import Iterator
from dataclasses import replace

from tailrace import units
from tailrace.physics.datasheet import SMALL, Datasheet, Frame, Parts, contradictions, parts_of
from tailrace.scenario.tables.flash import DATASHEET, Flash
from tailrace.scenario.tables.media import Media
from tailrace.scenario.tables.model import Finding, KeyPath
from tailrace.scenario.tables.server import Lanes, LawStage, Pool, Server

CHANNELS = 8
ERASE_S = 3e-3
"""Where a datasheet says nothing: a common number of buses, and the erase of a block of two bits a cell.

Source of the latter: the table of flash times that textbooks on operating systems print (from memory).
"""

Link = Lanes | LawStage | None


def datasheet_parts(flash: Flash, link: Link) -> Parts:
    """The parts of a drive in datasheet form behind its link.

    Raises ValueError if it is not in that form, or if its figures contradict one another.
    """
    return parts_of(_sheet(flash), _frame(flash, link))


def fitted(server: Server) -> Server:
    """The same drives by their parts where a datasheet describes them: so they stay, whatever else is changed."""
    if server.pool:
        pools = tuple(each.model_copy(update={"media": _by_parts(each)}) for each in server.pool)
        return server.model_copy(update={"pool": pools})
    return server.model_copy(update={"media": _by_parts(server.pools[0])})


def _by_parts(pool: Pool) -> Media:
    flash = pool.media
    if not isinstance(flash, Flash) or not flash.has_datasheet:
        return flash
    parts = datasheet_parts(flash, pool.lanes)
    found = {
        "dies": parts.dies,
        "channels": flash.channels or CHANNELS,
        "channel_rate": parts.channel_rate,
        "cell_read": parts.cell_read_s,
        "cell_program": parts.program_s,
        "cell_erase": flash.cell_erase or ERASE_S,
        "command_rate": parts.command_rate,
        "buffer_time": parts.buffer_s,
        "write_amplification": parts.amplification,
    }
    return flash.model_copy(update={**dict.fromkeys(DATASHEET), **found})


def dies_of(flash: Flash, link: Link) -> int:
    """Dies of a drive in whichever form. Raises ValueError for datasheet figures that contradict one another."""
    return datasheet_parts(flash, link).dies if flash.has_datasheet else flash.physical_dies


def flash_findings(flash: Flash, link: Link, stripe_unit: int, slots: int) -> Iterator[Finding]:
    """What is wrong between flash drives, their link and their layout; keys are relative to their pool.

    ``slots`` is how many requests a drive holds.
    """
    if stripe_unit % flash.page and not flash.page % flash.map_unit:
        accepted = f"a multiple of {units.write(flash.page, 'size')}"
        rests_on: tuple[KeyPath, ...] = (("media", "kind"), ("media", "page"))
        yield Finding(
            ("layout", "stripe_unit"), "not a multiple of the page of the drives", accepted, rests_on
        )
    for found in _datasheet_findings(flash, link, slots):
        inside: tuple[KeyPath, ...] = tuple(("media", *key) for key in found.rests_on)
        yield replace(found, key=("media", *found.key), rests_on=(*inside, ("lanes",)))


def _datasheet_findings(flash: Flash, link: Link, slots: int) -> Iterator[Finding]:
    if not flash.has_datasheet or any(getattr(flash, key) is None for key in DATASHEET):
        return
    sheet, frame = _sheet(flash), _frame(flash, link)
    keys: tuple[KeyPath, ...] = tuple((key,) for key in (*DATASHEET, "channels", "map_unit", "queue_slots"))
    if sheet.depth > slots:
        yield Finding(("rated_depth",), "more than the drive's queue slots", f"at most {slots}", keys)
    found = tuple(contradictions(sheet, frame))
    for key, wrong, accepted in found:
        yield Finding((key,), wrong, accepted, keys)
    if found:
        return
    try:
        parts = parts_of(sheet, frame)
    except ValueError as error:
        keys = (*keys, ("cell_erase",), ("pages_per_block",))
        yield Finding(("cell_erase",), str(error), "a shorter cell_erase, or more pages_per_block", keys)
        return
    least = 2 * parts.dies * flash.width
    if flash.buffer is not None and flash.buffer < least:
        wrong = f"too small to keep {parts.dies} dies at sequential_write"
        yield Finding(("buffer",), wrong, f"at least {least // 1024} KiB", (*keys, ("page",), ("planes",)))


def _sheet(flash: Flash) -> Datasheet:
    figures = [getattr(flash, key) for key in DATASHEET]
    if None in figures:
        raise ValueError("the drive is not described by datasheet figures")
    return Datasheet(*figures)


def _frame(flash: Flash, link: Link) -> Frame:
    erase_s = ERASE_S if flash.cell_erase is None else flash.cell_erase
    lane_s = 0.0
    if isinstance(link, Lanes):
        lane_s = SMALL / link.bytes_per_s
    elif link is not None:
        lane_s = link.service.mean_s
    channels = flash.channels or CHANNELS
    return Frame(
        channels,
        int(flash.page),
        flash.planes,
        flash.pages_per_block,
        int(flash.map_unit),
        erase_s,
        lane_s,
    )

"""How addresses are laid over the drives of a pool, and what happens when drives fail, as written."""

from __future__ import annotations

from collections import Counter
from collections.abc import Iterator
from typing import Annotated, Any, Literal

from pydantic import Discriminator, Field, Tag

from tailrace.scenario.tables.fields import DataRate, Number, Piece, Whole, optional
from tailrace.scenario.tables.model import Finding, KeyPath, Model

Redundancy = Literal["none", "mirror", "single parity", "double parity"]
PARITIES = {"none": 0, "mirror": 0, "single parity": 1, "double parity": 2}
"""Parity units in each row of a group."""

FEWEST = {"single parity": 3, "double parity": 4}
"""Fewest drives of a group with parity: on fewer, mirrors keep as much with less work."""

Drive = Annotated[Whole, Field(ge=0, lt=100_000)]


def _number_or_list(value: Any) -> str:
    return "|list" if isinstance(value, list | tuple) else "|number"


Failed = Annotated[
    Annotated[Drive, Tag("|number")] | Annotated[tuple[Drive, ...], Tag("|list")],
    Discriminator(_number_or_list),
]

_OF_MIRRORS = 'with redundancy = "mirror" only'
_OF_PARITY = 'with redundancy = "single parity" or "double parity" only'


class Layout(Model):
    """How addresses are laid over the drives."""

    redundancy: Redundancy = optional("Redundancy over the drives.", "none")
    stripe_unit: Piece = optional("Bytes on one drive before the next drive's turn.", 65536, multiple_of=512)
    group: Annotated[Whole, Field(ge=1, le=100_000)] | None = optional(
        "Drives in a group, each group with rows of its own; by default all but the spares."
    )
    copies: Literal[2, 3] | None = optional("Copies of all data (mirror); by default 2.")
    spares: Annotated[Whole, Field(ge=0, le=100_000)] = optional(
        "How many drives, the last ones, stand idle until others fail.", 0
    )
    parity_rate: DataRate | None = optional(
        "Bytes that one core folds into a parity unit per time; without it parity costs no CPU."
    )
    failed: Failed = optional(
        "Drives that are down: their numbers from 0 in a list, or how many: drive 0 of each group in turn, "
        "then drive 1.",
        0,
    )
    rebuild_rate: DataRate | None = optional(
        "Bytes written per time onto each spare that takes the place of a failed drive; without it nothing "
        "is rebuilt."
    )
    rebuild_chunk: Piece = optional(
        "Bytes of a drive that are rebuilt at a time.", 2**20, le=2**30, multiple_of=512
    )
    rebuilt: Annotated[Number, Field(ge=0, lt=1)] = optional(
        "Share of each failed drive that is rebuilt already; it stays so during a run.", 0.0
    )

    @property
    def parities(self) -> int:
        """Parity units in each row of a group."""
        return PARITIES[self.redundancy]

    @property
    def mirrored(self) -> int:
        """Copies of each unit."""
        return (self.copies or 2) if self.redundancy == "mirror" else 1

    @property
    def survives(self) -> int:
        """Failed drives of one group that lose no data."""
        return self.mirrored - 1 + self.parities

    def in_use(self, drives: int) -> int:
        """Drives without the spares."""
        return drives - self.spares

    def group_size(self, drives: int) -> int:
        """Drives that keep their redundancy together: a group with parity, the copies of a mirror, or all."""
        if self.redundancy == "mirror":
            return self.mirrored
        return self.group or max(self.in_use(drives), 1)

    def failed_drives(self, drives: int) -> tuple[int, ...]:
        """Numbers of the drives that are down, in the order in which spares take their places."""
        if isinstance(self.failed, tuple):
            return self.failed
        size = self.group or self.group_size(drives)
        groups = max(self.in_use(drives) // size, 1)
        return tuple(count % groups * size + count // groups for count in range(self.failed))

    def rebuilding(self, drives: int) -> dict[int, int]:
        """Failed drives that are being rebuilt, and the spare that takes the place of each."""
        if self.rebuild_rate is None:
            return {}
        return dict(zip(self.failed_drives(drives), range(self.in_use(drives), drives), strict=False))

    def findings(self) -> Iterator[Finding]:
        """Keys that belong to another redundancy, or to a rebuild that there is none of."""
        redundancy: tuple[KeyPath, ...] = (("redundancy",),)
        if self.copies is not None and self.redundancy != "mirror":
            yield Finding(("copies",), "given without a mirror", f"copies {_OF_MIRRORS}", redundancy)
        if self.parity_rate is not None and not self.parities:
            yield Finding(("parity_rate",), "given without parity", f"parity_rate {_OF_PARITY}", redundancy)
        if self.rebuild_rate is not None:
            keys: tuple[KeyPath, ...] = (("failed",), ("spares",))
            if not self.failed:
                yield Finding(("rebuild_rate",), "no drive has failed", "rebuild_rate with failed", keys)
            if not self.spares:
                yield Finding(("rebuild_rate",), "no spare to rebuild on", "rebuild_rate with spares", keys)
        elif self.rebuilt:
            accepted = "rebuilt with rebuild_rate only"
            yield Finding(("rebuilt",), "nothing is being rebuilt", accepted, (("rebuild_rate",),))


def findings_of_drives(layout: Layout, drives: int) -> Iterator[Finding]:
    """What is wrong between a layout and the number of drives; keys are relative to the table of both."""
    rests_on: tuple[KeyPath, ...] = (
        ("media", "kind"),
        ("media", "count"),
        *(("layout", key) for key in ("redundancy", "group", "copies", "spares", "failed")),
    )
    if layout.spares >= drives:
        accepted = f"at most {drives - 1}, for {drives} drives"
        yield Finding(("layout", "spares"), "no drive is left to use", accepted, rests_on)
        return
    in_use, size = layout.in_use(drives), layout.group_size(drives)
    written = f"{in_use} drives" + (" beside the spares" if layout.spares else "")
    fewest = FEWEST.get(layout.redundancy, 1)
    group = layout.group or size
    if group > in_use or in_use % group:
        key = ("layout", "group") if layout.group else ("layout", "copies" if layout.copies else "redundancy")
        accepted = f"a divisor of {in_use}" if layout.group else f"a multiple of {size} drives"
        what = "the group does" if layout.group else "the copies do"
        yield Finding(key, f"{what} not divide the {written}", accepted, rests_on)
    elif group < fewest:
        key = ("layout", "group" if layout.group else "redundancy")
        wrong = f"{layout.redundancy} on {group} drive{'s' if group > 1 else ''}"
        yield Finding(key, wrong, f"groups of at least {fewest} drives, or a mirror", rests_on)
    elif group % layout.mirrored:
        accepted = f"a multiple of {layout.mirrored}"
        yield Finding(("layout", "group"), "holds no whole number of copies", accepted, rests_on)
    else:
        yield from _lost(layout, drives, rests_on)


def _lost(layout: Layout, drives: int, rests_on: tuple[KeyPath, ...]) -> Iterator[Finding]:
    """More failed drives than the redundancy survives, or drives that cannot be meant."""
    in_use, size = layout.in_use(drives), layout.group_size(drives)
    key = ("layout", "failed")
    if isinstance(layout.failed, int) and layout.failed > in_use:
        yield Finding(key, "more failed drives than drives", f"at most {in_use}", rests_on)
        return
    failed = layout.failed_drives(drives)
    if len(set(failed)) < len(failed):
        yield Finding(key, "a drive more than once", "each drive once", rests_on)
        return
    if any(drive >= in_use for drive in failed):
        spare = "; the spares come behind them" if layout.spares else ""
        yield Finding(key, "no such drive", f"drives from 0 to {in_use - 1}{spare}", rests_on)
        return
    for group, down in sorted(Counter(drive // size for drive in failed).items()):
        if down > layout.survives:
            first = group * size
            who = (
                f"{down} of the drives {first} to {first + size - 1} have failed"
                if size > 1
                else "it has failed"
            )
            survives = f"survives {layout.survives}" if layout.survives else "survives none"
            wrong = f"data lost: {who}, and {_NOUNS[layout.redundancy]} {survives}"
            most = "no failed drive" if not layout.survives else f"at most {layout.survives} in each such set"
            yield Finding(key, wrong, most, rests_on)
            return


_NOUNS = {
    "none": "a layout without redundancy",
    "mirror": "a mirror",
    "single parity": "single parity",
    "double parity": "double parity",
}

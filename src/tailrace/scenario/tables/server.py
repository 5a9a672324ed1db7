"""The server: its network, its controller, and the pools of its drives with their lanes and layout, as written."""

from __future__ import annotations

from collections.abc import Iterator
from typing import Annotated, Literal

from pydantic import Field, Tag

from tailrace.physics.links import (
    PCIE_TRANSFERS_PER_S,
    SERIAL_PAYLOAD_SHARE,
    pcie_rate_bytes_per_s,
    serial_rate_bytes_per_s,
)
from tailrace.scenario.tables.fields import (
    DataRate,
    Dimensioned,
    LaneCount,
    LineRate,
    Name,
    Number,
    Piece,
    PowerOrZero,
    Price,
    Share,
    Size,
    SizeOrZero,
    TimeOrZero,
    Whole,
    optional,
    power_of,
    price_of,
)
from tailrace.scenario.tables.law import Law
from tailrace.scenario.tables.layout import Layout, findings_of_drives
from tailrace.scenario.tables.measured import Measured
from tailrace.scenario.tables.media import Generic, Media
from tailrace.scenario.tables.memory import ReadCache, WriteBack
from tailrace.scenario.tables.model import Finding, KeyPath, Model, law_or_parts
from tailrace.scenario.tables.spinning import Spinning

Discipline = Literal["fcfs", "ps", "delay"]
LinkDiscipline = Literal["ps", "fcfs"]
Generation = Annotated[Whole, Field(ge=1, le=max(PCIE_TRANSFERS_PER_S))]
PacketPayload = Annotated[Literal[128, 256, 512, 1024, 2048, 4096], Dimensioned("size")]
Coding = Literal["8b/10b", "128b/130b", "128b/150b"]

HALF_DUPLEX_UP_TO = 0.75e9
"""Raw rate in bytes/s (6 Gbit/s) up to which a serial link carries one direction at a time."""

TRANSFER_PIECE = 128 * 1024
"""Bytes that move between media and lane at once, unless the lanes say otherwise."""


class LawStage(Model):
    """A stage whose service time follows a law instead of being computed from its parts."""

    service: Law = Field(
        description="Law of the service times, which do not depend on the size of the request."
    )
    servers: Whole = optional("Number of servers.", 1, ge=1, le=1_000_000)
    discipline: Discipline = optional(
        "First come first served, processor sharing, or a delay without a queue.", "fcfs"
    )
    price: Price | None = price_of("of its servers")
    power: PowerOrZero | None = power_of("of its servers")


class Ports(Model):
    """The network ports of a server, which share one load, each way apart."""

    ports: Whole = optional("Number of ports.", 1, ge=1, le=1024)
    rate: LineRate = Field(description="Rate of one port, each way.")
    round_trip: TimeOrZero = optional("Unloaded time there and back, serialisation excluded.", 0.0)
    frame_payload: Size = optional("Bytes of payload in a full frame.", 1448)
    frame_overhead: SizeOrZero = optional(
        "Bytes on the wire for each frame beyond its payload: preamble, headers, checksum, gap.", 90
    )
    message_payload: Size = optional("Payload of a message that carries no data: command or status.", 72)
    discipline: LinkDiscipline = optional(
        "Processor sharing of the link, or first come first served in pieces.", "ps"
    )
    transfer_piece: Piece = optional('Largest piece sent at a time under "fcfs".', 131072)
    price: Price | None = price_of("port")
    power: PowerOrZero | None = power_of("port")


class Network(Ports):
    """The network ports of the server to its clients."""

    client_rate: LineRate | None = optional("Rate of each client's own link; without it no limit.")


class Controller(Model):
    """The processors that take requests in, move data and answer."""

    cores: Whole = Field(ge=1, le=65536, description="Number of cores.")
    per_request: TimeOrZero = optional("Mean CPU time to take a request in.", 0.0)
    per_completion: TimeOrZero = optional("Mean CPU time to answer a request.", 0.0)
    per_disk_operation: TimeOrZero = optional("Mean CPU time for each operation on a drive.", 0.0)
    copy_rate: DataRate | None = optional(
        "Bytes that one core moves, checksums or encrypts per time; without it data cost no CPU."
    )
    copy_piece: Piece = optional("Largest piece copied before the core takes other work.", 65536)
    variability: Number = optional(
        "Squared coefficient of variation of CPU times: 0 constant, 1 exponential.", 1.0, ge=0, le=1e6
    )
    price: Price | None = price_of("core")
    power: PowerOrZero | None = power_of("core")
    read_cache: ReadCache | None = optional("Cache of data read; left out: none.")
    write_back: WriteBack | None = optional("Protected memory that acknowledges writes; left out: none.")


class Lanes(Model):
    """The link to one drive: PCI Express by generation and width, or a serial link by its rate."""

    pcie_generation: Generation | None = optional("Generation of PCI Express; or give `rate`.")
    width: LaneCount = optional("Lanes per drive (PCI Express).", 4)
    rate: LineRate | None = optional("Raw rate of a serial link's line; or `pcie_generation`.")
    coding: Coding = optional("Line code of the serial link.", "8b/10b")
    payload_share: Annotated[Share, Field(gt=0)] = optional(
        "Share of what the code leaves of a serial link that is payload; frames take the rest.",
        SERIAL_PAYLOAD_SHARE,
    )
    max_payload: PacketPayload = optional("Largest payload of a packet (PCI Express).", 256)
    duplex: Literal["full", "half"] | None = optional(
        "Both directions at once, or one at a time; by default "
        "half for a serial link up to 6 Gbit/s, else full."
    )
    discipline: LinkDiscipline = optional("Processor sharing, or first come first served.", "ps")
    transfer_piece: Piece = optional(
        "Larger requests move between media and lane in such pieces.", TRANSFER_PIECE
    )
    drives_per_adapter: Annotated[Whole, Field(ge=1, le=1024)] | None = optional(
        "Drives behind one shared uplink."
    )
    adapter_generation: Generation | None = optional("PCI Express generation of the uplink.")
    adapter_width: LaneCount | None = optional("Lanes of the uplink.")
    price: Price | None = price_of("adapter, or link of a drive without one")
    power: PowerOrZero | None = power_of("adapter, or link of a drive without one")

    @property
    def is_pcie(self) -> bool:
        """Whether the link is PCI Express, not a serial link given by its rate."""
        return self.pcie_generation is not None

    @property
    def is_slow_serial(self) -> bool:
        """Whether the link is a serial one of at most 6 Gbit/s."""
        return self.rate is not None and self.rate <= HALF_DUPLEX_UP_TO

    @property
    def bytes_per_s(self) -> float:
        """What the link of one drive carries each way, coding, frames and packet headers taken off."""
        if self.pcie_generation is not None:
            return pcie_rate_bytes_per_s(self.pcie_generation, self.width, int(self.max_payload))
        return serial_rate_bytes_per_s((self.rate or 0.0) * 8, self.coding) * self.payload_share

    @property
    def uplink_bytes_per_s(self) -> float | None:
        """The same of the link that the drives behind one adapter share; None where there is no adapter."""
        if self.adapter_generation is None or self.adapter_width is None:
            return None
        return pcie_rate_bytes_per_s(self.adapter_generation, self.adapter_width, int(self.max_payload))

    @property
    def is_half_duplex(self) -> bool:
        """Whether one station carries both directions."""
        return self.duplex == "half" or (self.duplex is None and self.is_slow_serial)

    def findings(self) -> Iterator[Finding]:
        """One kind of link, with the keys of that kind; the shared uplink whole or not at all."""
        accepted = "either pcie_generation (with width, max_payload) or rate (with coding, payload_share)"
        kinds: tuple[KeyPath, ...] = (("pcie_generation",), ("rate",))
        if self.pcie_generation is None and self.rate is None:
            yield Finding((), "neither pcie_generation nor rate", accepted, kinds)
        elif self.pcie_generation is not None and self.rate is not None:
            yield Finding((), "both pcie_generation and rate", accepted, kinds)
        else:
            for key in ("coding", "payload_share") if self.is_pcie else ("width", "max_payload"):
                if key in self.model_fields_set:
                    yield Finding((key,), "does not belong to this kind of link", accepted, kinds)
        uplink = ("drives_per_adapter", "adapter_generation", "adapter_width")
        lacking = [key for key in uplink if getattr(self, key) is None]
        if 0 < len(lacking) < len(uplink):
            accepted = f"{', '.join(uplink)} together"
            yield Finding(
                (), f"a shared uplink without {', '.join(lacking)}", accepted, tuple((key,) for key in uplink)
            )


LanesOrLaw = Annotated[Annotated[Lanes, Tag("|parts")] | Annotated[LawStage, Tag("|law")], law_or_parts()]


class Pool(Model):
    """Drives of one kind, with the link of each, and how addresses are laid over them."""

    name: Name = Field(description="Name of the pool, by which classes choose it.")
    lanes: LanesOrLaw | None = optional("The link of each drive.")
    media: Media = Field(description="The drives.")
    layout: Layout = optional("How addresses are laid over the drives.", Layout())

    @property
    def usable_capacity(self) -> int:
        """Bytes that the workload may address: whole rows, without spares, parity and further copies."""
        layout = self.layout
        in_use = layout.in_use(self.media.count)
        size = layout.group_size(self.media.count)
        keeping = in_use // layout.mirrored - in_use // size * layout.parities
        return self.media.capacity // layout.stripe_unit * layout.stripe_unit * max(keeping, 0)

    @property
    def transfer_piece(self) -> int:
        """Largest number of bytes that moves between media and lane at once, defaults resolved."""
        return self.lanes.transfer_piece if isinstance(self.lanes, Lanes) else TRANSFER_PIECE

    @property
    def queue_slots(self) -> int | None:
        """Requests that a drive holds at once, defaults resolved; None for generic and measured media: no slots."""
        if isinstance(self.media, Generic | Measured):
            return None
        if isinstance(self.media, Spinning) or self.media.queue_slots is not None:
            return self.media.queue_slots
        slow = isinstance(self.lanes, Lanes) and self.lanes.is_slow_serial
        return 32 if slow else 1024

    def findings(self) -> Iterator[Finding]:
        """The layout must go with the number of drives."""
        yield from findings_of_drives(self.layout, self.media.count)

    def station_name(self, name: str) -> str:
        """What a station of this pool is called in answers: by its noun alone in the unnamed pool."""
        return f"{self.name}: {name}" if self.name else name


_DRIVES = ("media", "lanes", "layout")
_POOL_FORMS = "either media (with lanes, layout), or [[server.pool]] tables with their own"


class Server(Model):
    """The storage server. A stage that is left out costs nothing."""

    network: (
        Annotated[Annotated[Network, Tag("|parts")] | Annotated[LawStage, Tag("|law")], law_or_parts()] | None
    ) = optional("The network; left out for clients on the server itself.")
    controller: (
        Annotated[Annotated[Controller, Tag("|parts")] | Annotated[LawStage, Tag("|law")], law_or_parts()]
        | None
    ) = optional("The processors.")
    lanes: LanesOrLaw | None = optional("The link of each drive.")
    media: Media | None = optional("The drives; required unless there are `pool` tables.")
    layout: Layout = optional("How addresses are laid over the drives.", Layout())
    pool: Annotated[tuple[Pool, ...], Field(max_length=100)] = optional(
        "Several groups of drives, each with a name and with media, lanes and layout of its own, "
        "whose keys are those of the server's.",
        (),
    )
    price: Price | None = optional("Price of all that has none of its own: chassis and the rest.")
    power: PowerOrZero | None = optional("Electric power of all that has none of its own.")
    height: Annotated[Number, Field(gt=0, le=1000)] | None = optional(
        "Height of the server in rack units; nothing is simulated by it."
    )

    @property
    def pools(self) -> tuple[Pool, ...]:
        """The groups of drives: those of the `pool` tables, or one without a name from the server's own keys."""
        if self.pool or self.media is None:
            return self.pool
        return (Pool.model_construct(name="", lanes=self.lanes, media=self.media, layout=self.layout),)

    def pool_path(self, place: int) -> KeyPath:
        """Where the keys of a pool stand, by its place in `pools`."""
        return ("server", "pool", place) if self.pool else ("server",)

    def findings(self) -> Iterator[Finding]:
        """Drives once: in the short form or in pools, whose names differ."""
        keys: tuple[KeyPath, ...] = (*((key,) for key in _DRIVES), ("pool",))
        if self.media is None and not self.pool:
            yield Finding((), "neither media nor pool", _POOL_FORMS, keys)
        elif self.media is not None and not self.pool:
            yield from findings_of_drives(self.layout, self.media.count)
        for key in _DRIVES if self.pool else ():
            if key in self.model_fields_set and getattr(self, key) is not None:
                yield Finding((key,), "given beside pool", _POOL_FORMS, (("pool",),))
        names: set[str] = set()
        for place, pool in enumerate(self.pools):
            layout = pool.layout
            if (
                layout.parities
                and layout.parity_rate is not None
                and not isinstance(self.controller, Controller)
            ):
                path = (*self.pool_path(place)[1:], "layout", "parity_rate")
                accepted = "parity_rate with a controller of cores"
                yield Finding(path, "no cores to compute it", accepted, (("controller",),))
        for place, pool in enumerate(self.pool):
            if pool.name in names:
                accepted = "a name of its own for each pool"
                yield Finding(("pool", place, "name"), "a second pool of this name", accepted)
            names.add(pool.name)

"""The server: its network, controller, lanes, media and layout, as written."""

from __future__ import annotations

from typing import Annotated, Literal

from pydantic import Field, Tag, model_validator

from tailrace.scenario.law import Law
from tailrace.scenario.media import Generic, Media, Spinning
from tailrace.scenario.quantity import (
    DataRate,
    Finding,
    Model,
    Quantity,
    Size,
    SizeOrZero,
    TimeOrZero,
    law_or_parts,
    refuse,
)

Discipline = Literal["fcfs", "ps", "delay"]
LinkDiscipline = Literal["ps", "fcfs"]
Generation = Annotated[int, Field(ge=1, le=5)]
Width = Literal[1, 2, 4, 8, 12, 16]
PacketPayload = Annotated[Literal[128, 256, 512, 1024, 2048, 4096], Quantity("size")]
Coding = Literal["8b/10b", "128b/130b", "128b/150b"]

HALF_DUPLEX_UP_TO = 0.75e9
"""Raw rate in bytes/s (6 Gbit/s) up to which a serial link carries one direction at a time."""


class LawStage(Model):
    """A stage whose service time follows a law instead of being computed from its parts."""

    service: Law = Field(
        description="Law of the service times, which do not depend on the size of the request."
    )
    servers: int = Field(default=1, ge=1, le=1_000_000, description="Number of servers.")
    discipline: Discipline = Field(
        default="fcfs", description="First come first served, processor sharing, or a delay without a queue."
    )


class Network(Model):
    """The network ports of the server, which share one load, each way apart."""

    ports: int = Field(default=1, ge=1, le=1024, description="Number of ports.")
    rate: DataRate = Field(description="Rate of one port, each way.")
    round_trip: TimeOrZero = Field(
        default=0.0, description="Unloaded time from client to server and back, serialisation excluded."
    )
    frame_payload: Size = Field(default=1448, description="Bytes of payload in a full frame.")
    frame_overhead: SizeOrZero = Field(
        default=90,
        description="Bytes on the wire for each frame beyond its payload: preamble, headers, checksum, gap.",
    )
    message_payload: Size = Field(
        default=72, description="Payload of a message that carries no data: command or status."
    )
    client_rate: DataRate | None = Field(
        default=None, description="Rate of each client's own link; without it no limit."
    )
    discipline: LinkDiscipline = Field(
        default="ps", description="Processor sharing of the link, or first come first served in pieces."
    )
    transfer_piece: Size = Field(default=131072, description='Largest piece sent at a time under "fcfs".')


class Controller(Model):
    """The processors that take requests in, move data and answer."""

    cores: int = Field(ge=1, le=65536, description="Number of cores.")
    per_request: TimeOrZero = Field(default=0.0, description="Mean CPU time to take a request in.")
    per_completion: TimeOrZero = Field(default=0.0, description="Mean CPU time to answer a request.")
    per_disk_operation: TimeOrZero = Field(
        default=0.0, description="Mean CPU time for each operation on a drive."
    )
    copy_rate: DataRate | None = Field(
        default=None,
        description="Bytes that one core moves, checksums or encrypts per time; without it data cost no CPU.",
    )
    copy_piece: Size = Field(
        default=65536, description="Largest piece copied before the core takes other work."
    )
    variability: float = Field(
        default=1.0,
        ge=0,
        le=1e6,
        description="Squared coefficient of variation of CPU times: 0 constant, 1 exponential.",
    )


class Lanes(Model):
    """The link from the controller to one drive: PCI Express by generation and width, or a serial link by its rate."""

    pcie_generation: Generation | None = Field(
        default=None, description="Generation of PCI Express; or give `rate`."
    )
    width: Width = Field(default=4, description="Lanes per drive (PCI Express).")
    rate: DataRate | None = Field(
        default=None, description="Raw rate of a serial link's line; or `pcie_generation`."
    )
    coding: Coding = Field(default="8b/10b", description="Line code of the serial link.")
    max_payload: PacketPayload = Field(default=256, description="Largest payload of a packet (PCI Express).")
    duplex: Literal["full", "half"] | None = Field(
        default=None,
        description="Whether both directions work at once; by default half for a serial link up to 6 Gbit/s, else full.",
    )
    discipline: LinkDiscipline = Field(
        default="ps", description="Processor sharing, or first come first served."
    )
    transfer_piece: Size = Field(
        default=131072, description="Larger requests move between media and lane in such pieces."
    )
    drives_per_adapter: int | None = Field(
        default=None, ge=1, le=1024, description="Drives behind one shared uplink."
    )
    adapter_generation: Generation | None = Field(
        default=None, description="PCI Express generation of the uplink."
    )
    adapter_width: Width | None = Field(default=None, description="Lanes of the uplink.")

    @property
    def is_pcie(self) -> bool:
        """Whether the link is PCI Express, not a serial link given by its rate."""
        return self.pcie_generation is not None

    @property
    def is_slow_serial(self) -> bool:
        """Whether the link is a serial one of at most 6 Gbit/s."""
        return self.rate is not None and self.rate <= HALF_DUPLEX_UP_TO

    @property
    def is_half_duplex(self) -> bool:
        """Whether one station carries both directions."""
        return self.duplex == "half" or (self.duplex is None and self.is_slow_serial)

    @model_validator(mode="after")
    def _one_kind_of_link(self) -> Lanes:
        given = self.model_fields_set
        either = "either pcie_generation (with width, max_payload) or rate (with coding)"
        if (self.pcie_generation is None) == (self.rate is None):
            wrong = (
                "neither pcie_generation nor rate" if self.rate is None else "both pcie_generation and rate"
            )
            refuse(Finding((), wrong, either, (("pcie_generation",), ("rate",)), shown=""))
        pcie_only, serial_only = ("width", "max_payload"), ("coding",)
        stray = [key for key in (pcie_only if self.rate is not None else serial_only) if key in given]
        found = [
            Finding((key,), "does not belong to this kind of link", either, (("rate",),)) for key in stray
        ]
        uplink = ("drives_per_adapter", "adapter_generation", "adapter_width")
        present = [key for key in uplink if getattr(self, key) is not None]
        if present and len(present) < len(uplink):
            lacking = " and ".join(key for key in uplink if key not in present)
            found.append(
                Finding(
                    (present[0],),
                    f"a shared uplink without {lacking}",
                    "drives_per_adapter, adapter_generation and adapter_width together",
                    tuple((key,) for key in uplink),
                )
            )
        refuse(*found)
        return self


class Layout(Model):
    """How addresses are laid over the drives."""

    redundancy: Literal["none"] = Field(default="none", description="Redundancy over the drives.")
    stripe_unit: Size = Field(
        default=65536, multiple_of=512, description="Bytes on one drive before the next drive's turn."
    )


class Server(Model):
    """The storage server. A stage that is left out costs nothing."""

    network: (
        Annotated[Annotated[Network, Tag("|parts")] | Annotated[LawStage, Tag("|law")], law_or_parts()] | None
    ) = Field(default=None, description="The network; left out for clients on the server itself.")
    controller: (
        Annotated[Annotated[Controller, Tag("|parts")] | Annotated[LawStage, Tag("|law")], law_or_parts()]
        | None
    ) = Field(default=None, description="The processors.")
    lanes: (
        Annotated[Annotated[Lanes, Tag("|parts")] | Annotated[LawStage, Tag("|law")], law_or_parts()] | None
    ) = Field(default=None, description="The link of each drive.")
    media: Media = Field(description="The drives.")
    layout: Layout = Field(default=Layout(), description="How addresses are laid over the drives.")

    @property
    def usable_capacity(self) -> int:
        """Bytes that the workload may address: whole rows of stripe units over all drives."""
        return self.media.capacity // self.layout.stripe_unit * self.layout.stripe_unit * self.media.count

    @property
    def queue_slots(self) -> int | None:
        """Requests that a drive holds at once, defaults resolved; None for generic media, which have no slots."""
        if isinstance(self.media, Generic):
            return None
        if isinstance(self.media, Spinning) or self.media.queue_slots is not None:
            return self.media.queue_slots
        slow = isinstance(self.lanes, Lanes) and self.lanes.is_slow_serial
        return 32 if slow else 1024

"""Several servers alike behind the same clients, and how data are spread over them, as written."""

from __future__ import annotations

from collections.abc import Iterator
from typing import Annotated, Literal

from pydantic import Field

from tailrace.scenario.tables.fields import DataRate, Number, Piece, Whole, optional
from tailrace.scenario.tables.model import Finding, KeyPath, Model
from tailrace.scenario.tables.server import Ports

MOST_SERVERS = 10_000

CopiedBy = Literal["server", "client"]
ReadsFrom = Literal["first", "any", "least busy"]


class Code(Model):
    """An erasure code over servers: any ``data`` of the ``data`` + ``parity`` pieces give back all of them."""

    data: Annotated[Whole, Field(ge=2, le=32)] = Field(
        description="Pieces of data that are kept together, each on a server of its own."
    )
    parity: Annotated[Whole, Field(ge=1, le=8)] = Field(
        description="Pieces of parity beside them: so many servers may fail."
    )


class ServerNetwork(Ports):
    """Ports of each server that lead to the other servers alone."""


class Cluster(Model):
    """The server of the scenario several times, behind the same clients."""

    servers: Annotated[Whole, Field(ge=2, le=MOST_SERVERS)] = Field(
        description="Number of servers, each as [server] says."
    )
    copies: Annotated[Whole, Field(ge=1, le=16)] | None = optional(
        "Copies of each piece, each on a server of its own; by default 1."
    )
    code: Code | None = optional("An erasure code over servers in place of copies; left out: none.")
    done_after: Annotated[Whole, Field(ge=1, le=100)] | None = optional(
        "Copies (or pieces of a code) that must have a write before it is answered; by default all that "
        "are up."
    )
    copied_by: CopiedBy = optional(
        "Whether the first server of a piece passes copies on, or the client sends to all.", "server"
    )
    reads_from: ReadsFrom = optional(
        "Which copy is read: the first that is up, any at random, or that of the server with the fewest "
        "requests under way at that instant.",
        "first",
    )
    piece: Annotated[Piece, Field(multiple_of=512, le=2**40)] = optional(
        "Unit in which addresses are spread over the servers.", 4 * 2**20
    )
    slow_servers: Annotated[Whole, Field(ge=0, le=MOST_SERVERS)] = optional(
        "How many servers, the first ones, are slower than the others.", 0
    )
    slow_factor: Annotated[Number, Field(ge=1, le=10_000)] | None = optional(
        "What the times of the processors, lanes and media of a slow server are multiplied by."
    )
    failed: Annotated[Whole, Field(ge=0, le=MOST_SERVERS)] = optional(
        "How many servers, the last ones, are down.", 0
    )
    recovery_rate: DataRate | None = optional(
        "Bytes per time that each server left copies to others to make up for those that failed; without "
        "it nothing is recovered."
    )
    network: ServerNetwork | None = optional(
        "The network between servers, if it has ports of its own; left out, that of the server is shared."
    )

    @property
    def width(self) -> int:
        """Servers on which each piece lies, or the pieces of a code together."""
        return self.code.data + self.code.parity if self.code else (self.copies or 1)

    @property
    def survives(self) -> int:
        """Failed servers that lose no data, whichever they are."""
        return self.code.parity if self.code else self.width - 1

    @property
    def up(self) -> int:
        """Servers that have not failed: the first ones."""
        return self.servers - self.failed

    def usable(self, of_server: int) -> int:
        """Bytes of data that the servers hold together, each ``of_server`` bytes, in whole pieces."""
        sets = of_server // self.piece * self.servers // self.width
        return sets * self.piece * (self.code.data if self.code else 1)

    def findings(self) -> Iterator[Finding]:
        """Keys that contradict each other."""
        what, given = ("code", self.code) if self.code else ("copies", self.copies)
        width_keys: tuple[KeyPath, ...] = (("copies",), ("code",))
        if self.code is not None and self.copies is not None:
            yield Finding(("code",), "given beside copies", "either copies or code", width_keys)
            return
        if given is not None and self.width > self.servers:
            if self.code:
                wrong = f"{self.code.data} + {self.code.parity} pieces do not fit on {self.servers} servers"
            else:
                wrong = f"more copies than the {self.servers} servers"
            accepted = f"at most {self.servers}" + (" pieces in all" if self.code else "")
            yield Finding((what,), wrong, accepted, (("servers",), *width_keys))
            return
        yield from self._answering(width_keys)
        yield from self._unlike(width_keys)

    def _answering(self, width_keys: tuple[KeyPath, ...]) -> Iterator[Finding]:
        least = self.code.data if self.code else 1
        pieces = "pieces" if self.code else "copies" if self.width > 1 else "copy"
        if self.done_after is not None and not least <= self.done_after <= self.width:
            if self.done_after > self.width:
                wrong = f"more than the {self.width} {pieces}"
            else:
                wrong = f"with fewer than {least} pieces the data cannot be given back"
            yield Finding(("done_after",), wrong, f"from {least} to {self.width}", width_keys)
        if self.reads_from == "least busy" and not self.code and self.width == 1:
            accepted = '"first" with one copy, or at least 2 copies'
            yield Finding(("reads_from",), "there is one copy to choose from", accepted, width_keys)
        if self.reads_from != "first" and self.code:
            accepted = '"first" with a code: reads go to the pieces that hold the data'
            yield Finding(("reads_from",), "a code has no copies to choose from", accepted, width_keys)

    def _unlike(self, width_keys: tuple[KeyPath, ...]) -> Iterator[Finding]:
        if self.slow_servers > self.servers:
            wrong = "more slow servers than servers"
            yield Finding(("slow_servers",), wrong, f"at most {self.servers}", (("servers",),))
        if self.slow_servers and self.slow_factor is None:
            accepted = "slow_servers with slow_factor"
            yield Finding(("slow_servers",), "slow_factor missing", accepted, (("slow_factor",),))
        if self.failed > self.survives:
            keeps = (
                f"a code of {self.code.data} + {self.code.parity}" if self.code else f"{self.width} copies"
            )
            keeps = "one copy" if self.width == 1 else keeps
            survives = f"survive{'' if self.width > 1 and not self.code else 's'} {self.survives or 'none'}"
            wrong = f"data lost: {self.failed} of {self.servers} servers have failed, and {keeps} {survives}"
            most = f"at most {self.survives}" if self.survives else "no failed server"
            yield Finding(("failed",), wrong, most, (("servers",), *width_keys))
        if self.recovery_rate is not None and not self.failed:
            accepted = "recovery_rate with failed"
            yield Finding(("recovery_rate",), "no server has failed", accepted, (("failed",),))

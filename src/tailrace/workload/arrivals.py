"""When do the requests of an open class arrive, and from which client?

The j-th arrival of a class is the same however the stream is cut into blocks: gaps are drawn by position and
added one after the other.
"""

from __future__ import annotations

import numpy as np

from tailrace.arrays import FloatArray, IntArray
from tailrace.physics.hyperexponential import two_phase_from_uniform
from tailrace.scenario.tables.arrivals import Bursty, Regular
from tailrace.scenario.tables.surge import Surge
from tailrace.scenario.tables.workload import Workload
from tailrace.workload.streams import Purpose, Streams


class ArrivalStream:
    """Arrivals of one open class, handed out in order: :meth:`until` gives all that fall before an instant."""

    def __init__(self, workload: Workload, load: float, streams: Streams) -> None:
        """``load`` multiplies the class's rate. Raises ValueError for a closed class."""
        if workload.rate is None:
            raise ValueError(f"class {workload.name!r} is closed: its clients issue on completion")
        self._workload = workload
        self._streams = streams
        self.rate_per_s = workload.rate_at(load)
        self._drawn = 0
        self._clock = 0.0  # operational time of the last arrival drawn
        self._surge = None if workload.surge is None else _SurgeClock(workload.surge, streams)
        self._times: FloatArray = np.empty(0)
        self._clients: IntArray = np.empty(0, dtype=np.int64)
        self._law = workload.arrival_law
        if isinstance(self._law, Regular):
            phases = streams.uniforms(Purpose.PHASE, np.arange(workload.clients))
            self._beat_order = np.argsort(phases, kind="stable")
            self._beats = phases[self._beat_order]

    def until(self, horizon_s: float) -> tuple[FloatArray, IntArray]:
        """Times (s) and clients of all arrivals not yet handed out that come before ``horizon_s``."""
        times, clients = self.ahead(horizon_s)
        self._times, self._clients = self._times[times.size :], self._clients[times.size :]
        return times, clients

    def ahead(self, horizon_s: float) -> tuple[FloatArray, IntArray]:
        """The same, but what is told is not handed out."""
        times, clients = [self._times], [self._clients]
        while times[-1].size == 0 or times[-1][-1] < horizon_s:
            wanted = (horizon_s - (times[-1][-1] if times[-1].size else 0.0)) * self.rate_per_s
            more_times, more_clients = self._draw(int(min(max(1.1 * wanted, 64.0), 2.0**16)))
            times.append(more_times)
            clients.append(more_clients)
        all_times, all_clients = np.concatenate(times), np.concatenate(clients)
        cut = int(np.searchsorted(all_times, horizon_s, side="left"))
        self._times, self._clients = all_times, all_clients
        return all_times[:cut], all_clients[:cut]

    def _draw(self, count: int) -> tuple[FloatArray, IntArray]:
        index = np.arange(self._drawn, self._drawn + count)
        self._drawn += count
        population = self._workload.clients
        if isinstance(self._law, Regular):
            beat, place = np.divmod(index, population)
            clients = self._beat_order[place]
            times = (beat + self._beats[place]) * (population / self.rate_per_s)
        else:
            u = self._streams.uniforms(Purpose.GAP, index)
            mean_gap = 1.0 / self.rate_per_s
            if isinstance(self._law, Bursty):
                gaps = two_phase_from_uniform(u, mean_gap, self._law.burstiness)
            else:
                gaps = np.log(u) * -mean_gap
            gaps[0] += self._clock
            times = np.cumsum(gaps)
            self._clock = float(times[-1])
            clients = (self._streams.uniforms(Purpose.CLIENT, index) * population).astype(np.int64)
        if self._surge is not None:
            times = self._surge.real_time(times)
        return times, clients


class _SurgeClock:
    """Maps operational time, in which the load is even, to real time, in which it surges.

    Calm and surge periods alternate, both exponential in length, at their `Surge.speeds`. A run begins in a surge with
    the probability ``share``, so that its mean rate is the same from the first instant.
    """

    def __init__(self, surge: Surge, streams: Streams) -> None:
        self._streams = streams
        self._speeds = np.array(surge.speeds)
        self._lengths = np.array([surge.length * (1.0 - surge.share) / surge.share, surge.length])
        begin = streams.uniforms(Purpose.SURGE, np.zeros(1, dtype=np.int64), 1)
        self._first_kind = int(begin[0] < surge.share)  # 0 is calm, 1 a surge
        self._periods = 0
        self._real: FloatArray = np.zeros(1)
        self._operational: FloatArray = np.zeros(1)

    def real_time(self, operational: FloatArray) -> FloatArray:
        """Real instants of ascending operational ones. Earlier periods are forgotten as time moves on."""
        while self._operational[-1] <= operational[-1]:
            index = np.arange(self._periods, self._periods + 256)
            self._periods += 256
            kind = (index + self._first_kind) & 1
            length = -np.log(self._streams.uniforms(Purpose.SURGE, index)) * self._lengths[kind]
            self._real = np.concatenate([self._real, self._real[-1] + np.cumsum(length)])
            grown = self._operational[-1] + np.cumsum(length * self._speeds[kind])
            self._operational = np.concatenate([self._operational, grown])
        mapped = np.interp(operational, self._operational, self._real)
        keep = max(int(np.searchsorted(self._operational, operational[-1])) - 1, 0)
        self._real, self._operational = self._real[keep:], self._operational[keep:]
        return mapped

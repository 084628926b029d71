"""The counter board: cumulative counters, uptime and sequence that wrap, hello sentences, loss of power.

Also the account of what a reader of the whole lines can know: raw pulses between the first and the last whole count
sentence of each life of the board, and the sentences missing between them.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np

from edge.feed.sentences import frame
from sim_feed.kit.faults import LineFaults
from sim_feed.kit.sensors import Integers
from sim_feed.parameters.structs import TICK_MS, TICK_S, FaultParameters

WRAP = 1 << 32
SEQ_WRAP = 1 << 16
HELLO_TICKS = 100


@dataclass(slots=True)
class Life:
    """One life of the board between two losses of power; `first` and `last` are of whole count sentences."""

    first: Integers | None = None
    last: Integers | None = None
    first_number: int = 0
    last_number: int = 0
    whole: int = 0


class Board:
    """Turns edges a tick into lines a tick. `inputs` counters, `kit` and `firmware` as said in the hello."""

    def __init__(self, inputs: int, kit: str, firmware: str, parameters: FaultParameters, faults: LineFaults) -> None:
        self.inputs, self.kit, self.firmware = inputs, kit, firmware
        self.faults = faults
        self.lives = [Life()]
        p = parameters
        self._counts = np.full(self.inputs, p.counters_start, dtype=np.int64)
        self._number = p.seq_start
        self._tick = 0
        self._born_tick = 0
        self._uptime_start = p.uptime_start_ms
        self._down = [(round(each.at_s / TICK_S), round((each.at_s + each.down_s) / TICK_S)) for each in p.restarts]

    def run(
        self, edges: Integers, levels: Sequence[int], extra: dict[int, list[bytes]], periods: dict[int, list[str]]
    ) -> list[list[bytes]]:
        """Lines of each tick of a leg.

        edges: counts, shape (n, inputs); levels: bit masks, length n. extra: lines of other senders and periods: the
        triplets of a `TGP` sentence, both by index of the tick.
        """
        n = len(edges)
        lines: list[list[bytes]] = []
        start = 0
        for stop, down in self._stretches(n):
            if down:
                lines += [[] for _ in range(stop - start)]
                self._tick += stop - start
            else:
                lines += self._alive(start, stop, edges, levels, extra, periods)
            start = stop
        return lines

    def pulses(self) -> list[int]:
        """Raw pulses of each input that a reader of the whole sentences can count."""
        total = np.zeros(self.inputs, dtype=np.int64)
        for life in self.lives:
            if life.first is not None and life.last is not None:
                total += life.last - life.first
        return [int(each) for each in total]

    def missing(self) -> int:
        """Count sentences lost or damaged between the first and the last whole one of each life."""
        return sum(max(0, life.last_number - life.first_number + 1 - life.whole) for life in self.lives if life.whole)

    def _stretches(self, n: int) -> list[tuple[int, bool]]:
        """(index after the end, whether the board is down) for the leg's stretches, in order."""
        first = self._tick + 1
        bounds = {n}
        for off, on in self._down:
            bounds.update(index for index in (off + 1 - first, on + 1 - first) if 0 < index < n)
        stretches = []
        start = 0
        for stop in sorted(bounds):
            middle = first + start
            stretches.append((stop, any(off < middle <= on for off, on in self._down)))
            start = stop
        return stretches

    def _revive(self, tick: int) -> None:
        """Start a new life when power came back just before this tick."""
        if any(on == tick - 1 for _, on in self._down):
            self._counts = np.zeros(self.inputs, dtype=np.int64)
            self._number = 0
            self._born_tick = tick - 1
            self._uptime_start = 0
            self.lives.append(Life())

    def _alive(
        self,
        start: int,
        stop: int,
        edges: Integers,
        levels: Sequence[int],
        extra: dict[int, list[bytes]],
        periods: dict[int, list[str]],
    ) -> list[list[bytes]]:
        self._revive(self._tick + 1)
        life = self.lives[-1]
        cumulative = self._counts + np.cumsum(edges[start:stop], axis=0)
        shown = (cumulative % WRAP).tolist()
        lines: list[list[bytes]] = []
        for offset, counts in enumerate(shown):
            index = start + offset
            self._tick += 1
            age = self._tick - self._born_tick
            uptime = (self._uptime_start + age * TICK_MS) % WRAP
            sent: list[bytes] = []
            if age % HELLO_TICKS == 1:
                sent.append(frame(f"TGH,1,{self.kit},{self.firmware},{self.inputs},{TICK_MS}"))
            if index in periods:
                sent.append(frame(f"TGP,1,{uptime},{','.join(periods[index])}"))
            body = f"TGC,1,{self._number % SEQ_WRAP},{uptime},{levels[index]:X},{','.join(map(str, counts))}"
            sent.append(frame(body))
            position = len(sent) - 1
            if index in extra:
                sent += extra[index]
            passed, whole = self.faults.pass_on(sent, self._tick * TICK_S)
            if whole[position]:
                self._note_whole(life, cumulative[offset])
            self._number += 1
            lines.append(passed)
        self._counts = cumulative[-1]
        return lines

    def _note_whole(self, life: Life, counts: Integers) -> None:
        if life.first is None:
            life.first, life.first_number = counts, self._number
        life.last, life.last_number = counts, self._number
        life.whole += 1

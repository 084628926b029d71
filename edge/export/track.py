"""The track as GeoJSON features: where the machine went, and what was lost of the crop that was cut there.

A feature is ten seconds or less of one state. Its loss is what the sensors saw `lag` seconds later, because grain takes that
long from the front to the sensors; weighted by the area cut.
"""

from __future__ import annotations

from collections import deque
from collections.abc import Iterator
from dataclasses import dataclass, field
from typing import Any, NamedTuple

from edge.export import rows
from edge.export.rows import OnProgress, Source
from edge.reckon.tables.units import M2_PER_HA

PIECE_S = 10
MOST_LAG_S = 60
DECIMALS = 7
"""Of a degree: a centimetre; more says nothing (RFC 7946, section 11.2)."""

_NAMES = ("time", "run", "number", "t", "job", "state", "speed_kmh", "area_m2", "lat", "lon")
_LOSS = ("loss_kg_ha", "separator_kg_ha", "cleaning_kg_ha", "returns_pct")


class _TrackSecond(NamedTuple):
    time: str
    run: int
    number: int
    t: int
    job: int | None
    state: str
    speed_kmh: float | None
    area_m2: float
    lat: float | None
    lon: float | None

    @property
    def place(self) -> list[float] | None:
        """Longitude before latitude, as the standard wants it."""
        if self.lat is None or self.lon is None:
            return None
        return [round(self.lon, DECIMALS), round(self.lat, DECIMALS)]

    def follows(self, other: _TrackSecond) -> bool:
        """Whether it is the next second of the same run and job."""
        return (self.run, self.job, self.number) == (other.run, other.job, other.number + 1)


@dataclass(slots=True)
class _Piece:
    """Seconds of one feature. `after`: the second before it, to join the line to."""

    after: _TrackSecond | None
    seconds: list[_TrackSecond] = field(default_factory=list)
    sums: dict[str, list[float]] = field(default_factory=lambda: {name: [0.0, 0.0] for name in _LOSS})

    def takes(self, one: _TrackSecond) -> bool:
        """Whether this second belongs to the same feature."""
        last = self.seconds[-1]
        return len(self.seconds) < PIECE_S and one.state == last.state and one.follows(last)

    def add(self, one: _TrackSecond, loss: tuple[float | None, ...] | None) -> None:
        """One second, and what was seen `lag` seconds after it."""
        self.seconds.append(one)
        for name, value in zip(_LOSS, loss or (), strict=False):
            if value is not None:
                weight = one.area_m2 if name != "returns_pct" else 1.0
                self.sums[name][0] += value * weight
                self.sums[name][1] += weight

    def feature(self, lag_s: float, position: str) -> dict[str, Any]:
        """As GeoJSON."""
        first, last = self.seconds[0], self.seconds[-1]
        speeds = [one.speed_kmh for one in self.seconds if one.speed_kmh is not None]
        return {
            "type": "Feature",
            "geometry": self._geometry(position),
            "properties": {
                "job": first.job,
                "run": first.run,
                "from_number": first.number,
                "to_number": last.number,
                "from": first.time,
                "to": last.time,
                "state": first.state,
                "speed_kmh": sum(speeds) / len(speeds) if speeds else None,
                "area_ha": sum(one.area_m2 for one in self.seconds) / M2_PER_HA,
                **{name: total / weight if weight > 0 else None for name, (total, weight) in self.sums.items()},
                "lag_s": lag_s,
            },
        }

    def _geometry(self, position: str) -> dict[str, Any] | None:
        places = [place for one in self.seconds if (place := one.place) is not None]
        if not places:
            return None
        if position == "coarse":
            return {"type": "Point", "coordinates": places[0]}
        before = self.after.place if self.after is not None and self.seconds[0].follows(self.after) else None
        line = [before, *places] if before is not None else places
        if len(line) < 2:
            return {"type": "Point", "coordinates": line[0]}
        return {"type": "LineString", "coordinates": line}


class _Track:
    """Seconds of one run on their way to features; a second waits until what was lost of its crop was seen."""

    def __init__(self, lags: list[tuple[int, float]], position: str) -> None:
        self._lags, self._position = lags, position
        self._lag_s = lags[0][1]
        self._waiting: deque[_TrackSecond] = deque()
        self._seen: dict[int, tuple[float | None, ...]] = {}
        self._last: _TrackSecond | None = None
        self._piece: _Piece | None = None

    def take(self, one: _TrackSecond, loss: tuple[float | None, ...]) -> Iterator[dict[str, Any]]:
        """One second with what was seen in it."""
        self._waiting.append(one)
        self._seen[one.number] = loss
        while self._waiting and self._waiting[0].number + self._lag_of(self._waiting[0]) <= one.number:
            yield from self._place(self._waiting.popleft())

    def end(self) -> Iterator[dict[str, Any]]:
        """Nothing follows."""
        while self._waiting:
            yield from self._place(self._waiting.popleft())
        if self._piece is not None:
            yield self._piece.feature(self._lag_s, self._position)

    def _lag_of(self, one: _TrackSecond) -> int:
        return round(next(lag for at_ms, lag in reversed(self._lags) if at_ms <= max(one.t * 1000, 0)))

    def _place(self, one: _TrackSecond) -> Iterator[dict[str, Any]]:
        lag_s = self._lag_of(one)
        if self._piece is None or not self._piece.takes(one) or lag_s != self._lag_s:
            if self._piece is not None:
                yield self._piece.feature(self._lag_s, self._position)
            self._piece, self._lag_s = _Piece(self._last), lag_s
        self._piece.add(one, self._seen.get(one.number + lag_s))
        self._last = one
        self._seen.pop(one.number - MOST_LAG_S, None)


def features(source: Source, on_progress: OnProgress | None = None) -> Iterator[dict[str, Any]]:
    """All features in order of record."""
    changes = list(rows.lags(source.db))
    track: _Track | None = None
    run = 0
    for span, chunk in source.chunks((*_NAMES, *_LOSS), on_progress):
        if track is None or span.run != run:
            if track is not None:
                yield from track.end()
            run = span.run
            track = _Track([(at_ms, lag) for of, at_ms, lag in changes if of == run], source.position)
        for row in chunk:
            yield from track.take(_TrackSecond(*row[: len(_NAMES)]), row[len(_NAMES) :])
    if track is not None:
        yield from track.end()

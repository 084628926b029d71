"""Factors by crop that are worked out when they are first asked for.

A start takes up every tray test on record, one by one; fitting anew to all of them at each would take minutes for hundreds.
"""

from __future__ import annotations

from collections.abc import Callable, Iterator, Mapping, MutableMapping

from edge.reckon.fit.factor import Factors


class DeferredFactors:
    """Factors that are worked out once, when they are first asked for; `find` must not rest on anything that changes."""

    __slots__ = ("_find", "_found")

    def __init__(self, find: Callable[[], Factors]) -> None:
        self._find: Callable[[], Factors] | None = find
        self._found: Factors | None = None

    @classmethod
    def of(cls, found: Factors) -> DeferredFactors:
        """Factors that are known already."""
        return cls(lambda: found)

    @property
    def factors(self) -> Factors:
        """The same object at every call."""
        if self._found is None:
            assert self._find is not None
            self._found, self._find = self._find(), None
        return self._found


class Fits(MutableMapping[int, Factors]):
    """The factors that each crop ended with, or has now."""

    def __init__(self) -> None:
        self._by_crop: dict[int, DeferredFactors] = {}

    def __getitem__(self, crop: int) -> Factors:
        return self._by_crop[crop].factors

    def __setitem__(self, crop: int, found: Factors) -> None:
        self._by_crop[crop] = DeferredFactors.of(found)

    def __delitem__(self, crop: int) -> None:
        del self._by_crop[crop]

    def __contains__(self, crop: object) -> bool:
        return crop in self._by_crop

    def __iter__(self) -> Iterator[int]:
        return iter(self._by_crop)

    def __len__(self) -> int:
        return len(self._by_crop)

    def put(self, crop: int, found: DeferredFactors) -> None:
        """Factors of a crop, worked out later."""
        self._by_crop[crop] = found

    def replace(self, found: Mapping[int, DeferredFactors]) -> None:
        """New factors of some crops. One that ended without a test goes by the factors of the one before, and follows them."""
        instead = {id(self._by_crop[crop]): fits for crop, fits in found.items() if crop in self._by_crop}
        self._by_crop = {crop: instead.get(id(fits), fits) for crop, fits in self._by_crop.items()}
        self._by_crop.update(found)

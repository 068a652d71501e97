"""What a counter makes of the air: Poisson counts per size bin.

Each differential bin is an independent Poisson draw; a cumulative channel is the sum of its own and all larger bins.
Drawing cumulative channels one by one would break their order and their correlation. This is the ideal counter; what
tubes and real optics change is `chain`'s.
"""

from __future__ import annotations

from collections.abc import Sequence

import numpy as np

from motewatch_simulator.spectra import Array


class Channels:
    """Maps the fine bins of the rooms onto the coarser channels of one counter."""

    def __init__(self, room_sizes_um: Sequence[float], sizes_um: Sequence[float]) -> None:
        """Every size of the counter must be one of the rooms' sizes."""
        first = [list(room_sizes_um).index(size) for size in sizes_um]
        self._edges = np.array(first, dtype=np.intp)

    def expected(self, bins: Array) -> Array:
        """Expected particles per channel bin, along the last axis; those below the smallest channel go unseen."""
        result: Array = np.add.reduceat(bins, self._edges, axis=-1)
        return result

    def draw(self, bins: Array, rng: np.random.Generator) -> tuple[int, ...]:
        """Differential counts, one draw per channel bin, for the expected particles per room bin."""
        return tuple(int(count) for count in rng.poisson(self.expected(bins)))


def cumulative(differential: Sequence[int]) -> tuple[int, ...]:
    """Counts at or above each size."""
    total, result = 0, []
    for count in reversed(differential):
        total += count
        result.append(total)
    return tuple(reversed(result))

"""The rules of `judging` for whole series: a year of one-minute samples of one size at one location, in numpy.

For each sample of the series the reason that `judging.judge` would give with all samples up to it as its window, and
tested to be equal to it, reason by reason. Same rules: one entry for each sample period without gaps, a missing period
is an entry without air, integers are compared, equal passes. Reasons come as places in `REASONS` (small integers);
`verdicts` turns them into places in `VERDICTS`. Must not know alarms, delays, occupancy or where a limit comes from.
"""

from __future__ import annotations

from dataclasses import dataclass
from typing import Any, Final

import numpy as np
from numpy.typing import ArrayLike, NDArray

from motewatch.limits.errors import OutOfRangeError
from motewatch.limits.judging import Reason, Verdict
from motewatch.measure.samples import UL_PER_L, UL_PER_M3
from motewatch.measure.statistics import exceeds_with_confidence, smallest_exceeding_count
from motewatch.site.models import KOfN, PerSample, RollingVolume, Rule

Whole = NDArray[np.int64]
Flags = NDArray[np.bool_]
Places = NDArray[np.int8]

REASONS: Final = tuple(Reason)
VERDICTS: Final = tuple(Verdict)
"""From best to worst, so that a greater place is a worse verdict."""

_PLACE: Final = {reason: np.int8(place) for place, reason in enumerate(REASONS)}
_VERDICT_OF: Final = np.array([VERDICTS.index(reason.verdict) for reason in REASONS], dtype=np.int8)
_WITHIN, _EXCEEDS = VERDICTS.index(Verdict.WITHIN), VERDICTS.index(Verdict.EXCEEDS)
_SAFE: Final = 2**62


@dataclass(frozen=True, slots=True)
class Series:
    """Successive samples of one size: counts, air in microlitres, and what is known of each sample.

    `nominal_ul`: air of a full sample, the same for the whole series; None where unknown.
    """

    counts: Whole
    volumes_ul: Whole
    sufficient: Flags
    suspect: Flags
    nominal_ul: int | None = None

    def __len__(self) -> int:
        return self.counts.size


def series(
    counts: ArrayLike,
    volumes_ul: ArrayLike,
    sufficient: ArrayLike = True,
    suspect: ArrayLike = False,
    nominal_ul: int | None = None,
) -> Series:
    """A checked series; single values stand for all samples.

    Raises `OutOfRangeError` for negative counts or volumes, for numbers that are not whole (NaN among them) and for
    columns of different length.
    """
    checked = [_whole("counts", counts), _whole("volumes_ul", volumes_ul)]
    flags = [np.asarray(sufficient, dtype=np.bool_), np.asarray(suspect, dtype=np.bool_)]
    if nominal_ul is not None and nominal_ul <= 0:
        raise OutOfRangeError("nominal_ul", nominal_ul, "a volume above 0, or None where it is unknown")
    length = checked[0].shape
    if checked[0].ndim != 1 or any(column.shape not in ((), length) for column in (*checked, *flags)):
        shapes = ", ".join(str(column.shape) for column in (*checked, *flags))
        raise OutOfRangeError("columns", f"of shapes {shapes}", "one row of counts, and columns of the same length")
    volumes, enough, doubtful = (np.broadcast_to(column, length) for column in (checked[1], *flags))
    return Series(checked[0], volumes, enough, doubtful, nominal_ul)


def judge_series(rule: Rule, samples: Series, limit_per_m3: int) -> Places:
    """For each sample the place in `REASONS` of what the series up to it shows of the limit (per m3, from 0).

    Raises `OutOfRangeError` for a negative limit.
    """
    if limit_per_m3 < 0:
        raise OutOfRangeError("limit_per_m3", limit_per_m3, "0 or more")
    if isinstance(rule, PerSample):
        return _of_samples(samples, limit_per_m3)
    if isinstance(rule, KOfN):
        return _k_of_n(rule, samples, limit_per_m3)
    if isinstance(rule, RollingVolume):
        return _rolling_volume(rule, samples, limit_per_m3)
    return _confidence(samples, limit_per_m3, rule.confidence_pct / 100)


def verdicts(reasons: Places) -> Places:
    """The place in `VERDICTS` of each reason."""
    return np.asarray(_VERDICT_OF[reasons])


def _of_samples(samples: Series, limit_per_m3: int) -> Places:
    """`judging._of_sample` for each."""
    above = samples.counts >= _first_exceeding(samples.volumes_ul, limit_per_m3)
    places = np.where(above, _PLACE[Reason.SAMPLE_ABOVE], _PLACE[Reason.SAMPLE_WITHIN])
    if samples.suspect.any():
        doubted = np.where(above, _PLACE[Reason.SUSPECT_SAMPLE_ABOVE], _PLACE[Reason.SUSPECT_SAMPLE])
        places = np.where(samples.suspect, doubted, places)
    if not samples.sufficient.all():
        partial = np.full_like(places, _PLACE[Reason.PARTIAL_SAMPLE])
        if samples.nominal_ul is not None:
            surely = samples.counts >= _first_exceeding(_full_ul(samples), limit_per_m3)
            partial[surely] = _PLACE[Reason.PARTIAL_SAMPLE_ABOVE]
        places = np.where(samples.sufficient, places, partial)
    empty = samples.volumes_ul <= 0
    if empty.any():
        places = np.where(empty, _PLACE[Reason.NO_AIR], places)
    return places


def _full_ul(samples: Series) -> Whole:
    assert samples.nominal_ul is not None
    return np.maximum(samples.volumes_ul, samples.nominal_ul)


def _k_of_n(rule: KOfN, samples: Series, limit_per_m3: int) -> Places:
    single = verdicts(_of_samples(samples, limit_per_m3))
    above = _moving_sum(single == _EXCEEDS, rule.n)
    reachable = rule.n - _moving_sum(single == _WITHIN, rule.n)
    places = np.where(reachable < rule.k, _PLACE[Reason.K_OUT_OF_REACH], _PLACE[Reason.K_UNDECIDED])
    places[above >= rule.k] = _PLACE[Reason.K_REACHED]
    return places


def _moving_sum(flags: Flags, n: int) -> Whole:
    """How many of the last `n` flags are set; before the series there are none."""
    # A handful of additions of small integers is cheaper than a running sum of large ones.
    if n <= 8:
        total = flags.astype(np.int64)
        for back in range(1, min(n, flags.size)):
            total[back:] += flags[:-back]
        return total
    running = np.concatenate(([0], np.cumsum(flags, dtype=np.int64)))
    start = np.maximum(np.arange(1, running.size) - n, 0)
    return np.asarray(running[1:] - running[start])


def _rolling_volume(rule: RollingVolume, samples: Series, limit_per_m3: int) -> Places:
    target_ul = round(rule.volume_l * UL_PER_L)
    counts, volumes = _gathered(samples.counts, samples.volumes_ul, target_ul)
    above = counts >= _first_exceeding(np.maximum(volumes, target_ul), limit_per_m3)
    filled = volumes >= target_ul
    places = np.where(filled, _PLACE[Reason.VOLUME_ABOVE], _PLACE[Reason.FILLING_VOLUME_ABOVE])
    sound = samples.sufficient
    sound_above = np.zeros_like(above)
    if samples.suspect.any():
        trusted = ~samples.suspect
        counts, volumes = _gathered(samples.counts * trusted, samples.volumes_ul * trusted, target_ul)
        sound_above = counts >= _first_exceeding(np.maximum(volumes, target_ul), limit_per_m3)
        filled = volumes >= target_ul
        sound = sound & trusted
    rest = np.where(sound, _PLACE[Reason.VOLUME_WITHIN], _PLACE[Reason.VOLUME_NEWEST_UNSOUND])
    rest[~filled] = _PLACE[Reason.VOLUME_FILLING]
    rest[sound_above] = _PLACE[Reason.SOUND_VOLUME_ABOVE]
    return np.where(above, places, rest)


def _gathered(counts: Whole, volumes_ul: Whole, target_ul: int) -> tuple[Whole, Whole]:
    """For each sample the counts and air of the newest samples, back until they fill the target or the series ends."""
    air = np.concatenate(([0], np.cumsum(volumes_ul)))
    seen = np.concatenate(([0], np.cumsum(counts)))
    if volumes_ul.size and (volumes_ul[0] > 0) and (volumes_ul == volumes_ul[0]).all():
        # The usual case: every window holds as many samples.
        needed = -(-target_ul // int(volumes_ul[0]))
        start = np.maximum(np.arange(1, air.size) - needed, 0)
    else:
        # The last place from which on there is enough air; before the series there is none.
        start = np.maximum(np.searchsorted(air, air[1:] - target_ul, side="right") - 1, 0)
    return np.asarray(seen[1:] - seen[start]), np.asarray(air[1:] - air[start])


def _confidence(samples: Series, limit_per_m3: int, confidence: float) -> Places:
    places = _of_samples(samples, limit_per_m3)
    exceeding = np.flatnonzero(_VERDICT_OF[places] == _EXCEEDS)
    sufficient = samples.sufficient[exceeding]
    air = samples.volumes_ul[exceeding]
    if samples.nominal_ul is not None:
        air = np.where(sufficient, air, np.maximum(air, samples.nominal_ul))
    # A partial sample exceeds only where the nominal air is known, so all of these have air to be judged by.
    sure = samples.counts[exceeding] >= _first_sure(air, limit_per_m3, confidence)
    sound = sufficient & ~samples.suspect[exceeding]
    surely = np.where(sound, _PLACE[Reason.SURELY_ABOVE], places[exceeding])
    poor = np.where(sufficient, _PLACE[Reason.SUSPECT_SAMPLE], _PLACE[Reason.PARTIAL_SAMPLE])
    unsure = np.where(sound, _PLACE[Reason.NOT_SURELY_ABOVE], poor)
    places[places == _PLACE[Reason.SAMPLE_WITHIN]] = _PLACE[Reason.NOT_SURELY_ABOVE]
    places[exceeding] = np.where(sure, surely, unsure)
    return places


def _first_exceeding(volumes_ul: Whole, limit_per_m3: int) -> Whole | np.int64:
    """`statistics.smallest_exceeding_count` for each volume; one number where all volumes are the same."""
    if not volumes_ul.size:
        return np.int64(0)
    if (volumes_ul == volumes_ul[0]).all():
        return np.int64(min(smallest_exceeding_count(limit_per_m3, int(volumes_ul[0])), _SAFE))
    if limit_per_m3 * int(volumes_ul.max()) < _SAFE:
        return np.asarray(limit_per_m3 * volumes_ul // UL_PER_M3 + 1)
    return _by_volume(volumes_ul, lambda volume: smallest_exceeding_count(limit_per_m3, volume))


def _first_sure(volumes_ul: Whole, limit_per_m3: int, confidence: float) -> Whole:
    """The smallest count in each volume that `exceeds_with_confidence`."""

    def first(volume_ul: int) -> int:
        low = smallest_exceeding_count(limit_per_m3, volume_ul) - 1
        width = 1
        while not exceeds_with_confidence(low + width, volume_ul, limit_per_m3, confidence):
            low, width = low + width, 2 * width
        high = low + width
        while high - low > 1:
            middle = (low + high) // 2
            if exceeds_with_confidence(middle, volume_ul, limit_per_m3, confidence):
                high = middle
            else:
                low = middle
        return high

    return _by_volume(volumes_ul, first)


def _by_volume(volumes_ul: Whole, count_for: Any) -> Whole:
    """Each volume that occurs is worked out once, in Python's integers, which do not overflow."""
    known, where = np.unique(volumes_ul, return_inverse=True)
    found = np.array([min(count_for(int(volume)), _SAFE) for volume in known], dtype=np.int64)
    return np.asarray(found[where])


def _whole(name: str, values: ArrayLike) -> Whole:
    found = np.asarray(values)
    if found.size and not np.issubdtype(found.dtype, np.integer):
        raise OutOfRangeError(name, f"numbers of type {found.dtype}", "whole numbers")
    if found.size and found.min() < 0:
        raise OutOfRangeError(name, found[found < 0].flat[0], "whole numbers from 0")
    return found.astype(np.int64, copy=False)

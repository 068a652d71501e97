"""The recovery test: how fast a room gets clean again, from a stream of counts that falls after a challenge.

ISO 14644-3: cleanliness recovery rate n = -2.3 log10(C1 / C0) / t1 (formula from memory), 100:1 recovery time
4.6 / n, taken from the straight part of the semi-log plot, from a start of at least 100 times the target, not for
unidirectional rooms (found in secondary pages). 2.3 stands for ln 10: the printed form reads 0.11 % low, and is an
option here.

What is the straight part is our own rule: from the highest sound sample on, as long as the concentration is above 10
times the background and a sample holds more than 100 counts, with no suspect sample between. The rate is fitted there
by Poisson likelihood, so that each count weighs as much as it knows. The confidence interval is widened by the
scatter actually seen, and uses Student's t. A stream that is no decay is refused with the reason.

Times in microseconds, rates per minute, concentrations per m3. numpy. Must not know files or classes.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass
from enum import Enum
from itertools import pairwise
from math import exp, isfinite, log, log10, sqrt

import numpy as np
from numpy.typing import NDArray

from motewatch.limits.errors import LimitsError, OutOfRangeError
from motewatch.limits.upper_confidence import student_quantile
from motewatch.measure.samples import UL_PER_M3
from motewatch.wire.records import MINUTE_US

LN_100 = log(100)
PRINTED_LN_10 = 2.3
PRINTED_LN_100 = 4.6

BACKGROUNDS = 10
"""The fit ends where the concentration is not above so many times the background."""
MORE_COUNTS_THAN = 100
"""The fit ends where a sample does not hold more counts than this."""
LEAST_SAMPLES = 4
LEAST_FALL = 3.0
"""Within the fitted interval; a smaller fall says too little about the rate (our choice)."""
_TAIL = 3
"""The background, where it is not given, is the air of the last samples."""
_OFF_FACTOR = 1.5
"""A sample further than this off the line is no scatter (our choice)..."""
_OFF_SIGMA = 5.0
"""...if its counts do not explain it."""
_CURVED = 1.25
"""Rates at the two ends of the interval that differ more than this are no straight line..."""
_CURVED_SIGMA = 3.0
"""...if the counts do not explain it."""


class NoDecay(Enum):
    """Why a stream is refused: a word and a sentence."""

    TOO_FEW_SAMPLES = ("too-few-samples", "there are too few samples for a decay")
    NO_COUNTS = ("no-counts", "nothing was counted")
    PEAK_AT_THE_END = ("peak-at-the-end", "the last sample is the highest")
    NO_FALL = ("no-fall", "the concentration does not fall far enough from its peak")
    INTERVAL_TOO_SHORT = ("interval-too-short", "too few samples are high enough above the background to be fitted")
    UNSURE = ("unsure", "the scatter is so large that the rate could be nothing at all")
    NOT_STRAIGHT = ("not-straight", "the fall is no straight line in the semi-log plot")

    def __init__(self, word: str, text: str) -> None:
        self.word = word
        self.text = text


class NotADecayError(LimitsError):
    """The stream shows no decay that a rate could be taken from."""

    def __init__(self, reason: NoDecay, detail: str, mend: str) -> None:
        self.reason = reason
        self.detail = detail
        self.mend = mend
        super().__init__(f"no recovery can be taken from these samples: {reason.text} ({detail}): {mend}")


@dataclass(frozen=True, slots=True)
class DecaySample:
    """One sample of the stream: the same moment of each (its start, say), count from 0, microlitres above 0."""

    at_us: int
    count: int
    volume_ul: int
    suspect: bool = False
    """Over the counter's range, or measured with a fault: never fitted."""

    def __post_init__(self) -> None:
        if self.count < 0:
            raise OutOfRangeError("count", self.count, "a whole number from 0")
        if self.volume_ul <= 0:
            raise OutOfRangeError("volume_ul", self.volume_ul, "a volume above 0")

    @property
    def per_m3(self) -> float:
        """The concentration."""
        return self.count * UL_PER_M3 / self.volume_ul


@dataclass(frozen=True, slots=True)
class Recovery:
    """The result. `first` and `last` are the indices of the fitted samples, both included.

    Rates are per minute with the bounds of a two-sided interval at `confidence`.
    """

    first: int
    last: int
    start_us: int
    start_per_m3: float
    end_us: int
    end_per_m3: float
    background_per_m3: float
    background_given: bool
    rate_per_min: float
    lower_per_min: float
    upper_per_min: float
    confidence: float
    fitted_per_m3: float
    """The line at `start_us`."""
    dispersion: float
    """Scatter about the line, as a multiple of what counting alone gives."""
    seen_fall_min: float | None
    """Minutes from the start until the concentration was seen to be a hundredth of it; None: it was not."""
    printed: bool

    @property
    def samples(self) -> int:
        """How many samples were fitted."""
        return self.last - self.first + 1

    @property
    def hundredth_min(self) -> float:
        """The 100:1 recovery time, in minutes, by the rate."""
        return recovery_time_min(self.rate_per_min, printed=self.printed)

    @property
    def hundredth_bounds_min(self) -> tuple[float, float]:
        """Its bounds: the fastest and the slowest."""
        return (
            recovery_time_min(self.upper_per_min, printed=self.printed),
            recovery_time_min(self.lower_per_min, printed=self.printed),
        )

    def line_per_m3(self, at_us: int) -> float:
        """The fitted line."""
        rate = self.rate_per_min * (_true_over_printed() if self.printed else 1.0)
        return self.fitted_per_m3 * exp(-rate * (at_us - self.start_us) / MINUTE_US)


def recovery_rate(start: float, end: float, minutes: float, *, printed: bool = False) -> float:
    """The cleanliness recovery rate per minute from two concentrations (above 0) and the time between (above 0).

    -ln(C1 / C0) / t1, or with `printed` -2.3 log10(C1 / C0) / t1, which is 0.11 % less. Negative where it rises.
    Source: ISO 14644-3, from memory. Raises `OutOfRangeError`.
    """
    for name, value in (("start", start), ("end", end), ("minutes", minutes)):
        if not 0 < value < float("inf"):
            raise OutOfRangeError(name, value, "a finite number above 0")
    return -(PRINTED_LN_10 * log10(end / start) if printed else log(end / start)) / minutes


def recovery_time_min(rate_per_min: float, *, printed: bool = False) -> float:
    """The 100:1 recovery time of a rate per minute (above 0): ln 100 / n, or with `printed` 4.6 / n."""
    if not 0 < rate_per_min < float("inf"):
        raise OutOfRangeError("rate_per_min", rate_per_min, "a finite number above 0")
    return (PRINTED_LN_100 if printed else LN_100) / rate_per_min


def recovery(
    stream: Sequence[DecaySample],
    *,
    background_per_m3: float | None = None,
    confidence: float = 0.95,
    printed: bool = False,
) -> Recovery:
    """The recovery that a stream of samples (times rising) shows.

    `background_per_m3`: what the room comes down to, from 0; absent: the air of the last 3 samples together, which is
    never lower than that. With a background the fitted rate reads up to 5 % low (at 10 backgrounds the fall is already
    slower): on the safe side. `confidence` between 0 and 1. `printed`: rates with 2.3 for ln 10. Raises
    `NotADecayError`, and `OutOfRangeError` for input that cannot be.
    """
    _checked(stream, background_per_m3, confidence)
    if len(stream) < LEAST_SAMPLES:
        raise NotADecayError(
            NoDecay.TOO_FEW_SAMPLES, f"{len(stream)}", f"give at least {LEAST_SAMPLES}, from the challenge on"
        )
    first = _start(stream)
    background = _tail_per_m3(stream) if background_per_m3 is None else background_per_m3
    last = _end(stream, first, background)
    part = stream[first : last + 1]
    fit = _fit(part)
    _straight(part, fit)
    quantile = student_quantile(0.5 + confidence / 2, len(part) - 2)
    reach = quantile * fit.error
    if fit.rate - reach <= 0:
        raise NotADecayError(
            NoDecay.UNSURE, f"{fit.rate:.3g} +- {reach:.2g} per minute", "take larger or more samples of the fall"
        )
    form = 1 / _true_over_printed() if printed else 1.0
    return Recovery(
        first=first,
        last=last,
        start_us=part[0].at_us,
        start_per_m3=part[0].per_m3,
        end_us=part[-1].at_us,
        end_per_m3=part[-1].per_m3,
        background_per_m3=background,
        background_given=background_per_m3 is not None,
        rate_per_min=fit.rate * form,
        lower_per_min=(fit.rate - reach) * form,
        upper_per_min=(fit.rate + reach) * form,
        confidence=confidence,
        fitted_per_m3=exp(fit.intercept),
        dispersion=fit.dispersion,
        seen_fall_min=_seen(stream, first),
        printed=printed,
    )


def _true_over_printed() -> float:
    return log(10) / PRINTED_LN_10


def _checked(stream: Sequence[DecaySample], background_per_m3: float | None, confidence: float) -> None:
    for before, after in pairwise(stream):
        if after.at_us <= before.at_us:
            raise OutOfRangeError("at_us", after.at_us, f"times that rise, here above {before.at_us}")
    if background_per_m3 is not None and not 0 <= background_per_m3 < float("inf"):
        raise OutOfRangeError("background_per_m3", background_per_m3, "a finite number from 0")
    if not 0 < confidence < 1:
        raise OutOfRangeError("confidence", confidence, "a share between 0 and 1, such as 0.95")


# The interval


def _start(stream: Sequence[DecaySample]) -> int:
    """The highest sound sample; of equals the last. One before a suspect sample would be no start of a whole fall."""
    sound = [index for index, sample in enumerate(stream) if not sample.suspect]
    peak = max(sound, key=lambda index: (stream[index].per_m3, index), default=None)
    if peak is None or stream[peak].count == 0:
        raise NotADecayError(
            NoDecay.NO_COUNTS,
            "no sample without a fault" if peak is None else f"{len(stream)} samples of zero",
            "challenge the room first, within the counter's range",
        )
    if peak == len(stream) - 1:
        raise NotADecayError(
            NoDecay.PEAK_AT_THE_END, f"sample {peak + 1} of {len(stream)}", "go on sampling until the room is clean"
        )
    return peak


def _tail_per_m3(stream: Sequence[DecaySample]) -> float:
    tail = stream[-_TAIL:]
    return sum(sample.count for sample in tail) * UL_PER_M3 / sum(sample.volume_ul for sample in tail)


def _end(stream: Sequence[DecaySample], first: int, background: float) -> int:
    """The last sample of the straight part, by our rule."""
    peak = stream[first].per_m3
    if peak <= BACKGROUNDS * background:
        raise NotADecayError(
            NoDecay.NO_FALL,
            f"from {peak:.4g} to {background:.4g} per m3, a factor of {peak / background:.3g}",
            f"challenge the room to more than {BACKGROUNDS} times its background, and sample until it is reached",
        )
    last = first - 1
    for index in range(first, len(stream)):
        sample = stream[index]
        if sample.suspect or sample.per_m3 <= BACKGROUNDS * background or sample.count <= MORE_COUNTS_THAN:
            break
        last = index
    found = last - first + 1
    if found < LEAST_SAMPLES:
        raise NotADecayError(
            NoDecay.INTERVAL_TOO_SHORT,
            f"{found} from the peak on lie above {BACKGROUNDS} times the background of {background:.4g} per m3 "
            f"with more than {MORE_COUNTS_THAN} counts",
            f"take at least {LEAST_SAMPLES}: sample until the background is reached (or give it, if it is known), "
            "take shorter samples, start higher",
        )
    fall = peak / stream[last].per_m3
    if fall < LEAST_FALL:
        raise NotADecayError(
            NoDecay.NO_FALL,
            f"a factor of {fall:.3g} within the samples that could be fitted",
            f"sample until it has fallen by a factor of {LEAST_FALL:g} at least",
        )
    return last


def _seen(stream: Sequence[DecaySample], first: int) -> float | None:
    """Straight between the two samples around the hundredth, in the semi-log plot."""
    wanted = stream[first].per_m3 / 100
    before = stream[first]
    for sample in stream[first + 1 :]:
        if sample.suspect:
            continue
        if sample.per_m3 <= wanted:
            after_log = log(sample.per_m3) if sample.count else log(wanted)
            share = (log(before.per_m3) - log(wanted)) / (log(before.per_m3) - after_log)
            at_us = before.at_us + share * (sample.at_us - before.at_us)
            return (at_us - stream[first].at_us) / MINUTE_US
        before = sample
    return None


# The fit


@dataclass(frozen=True, slots=True)
class _Fit:
    intercept: float
    rate: float
    """Per minute, ln form."""
    error: float
    """Standard error of the rate, widened by the scatter."""
    dispersion: float
    residuals: tuple[float, ...]
    """Count by the line's count."""
    expected: tuple[float, ...]


def _fit(part: Sequence[DecaySample]) -> _Fit:
    """ln C = a - n t by Poisson likelihood, Newton's steps from the weighted straight line."""
    minutes, counts, air = _arrays(part)
    design = np.column_stack([np.ones_like(minutes), -minutes])
    coefficients = _newton(design, counts, air)
    expected = air * np.exp(design @ coefficients)
    scatter = float(np.sum((counts - expected) ** 2 / expected)) / (len(part) - 2)
    variance = np.linalg.inv(design.T @ (expected[:, np.newaxis] * design))[1, 1]
    return _Fit(
        intercept=float(coefficients[0]),
        rate=float(coefficients[1]),
        # Counting alone is the least scatter there is: a lucky stream must not look surer than that.
        error=sqrt(float(variance) * max(1.0, scatter)),
        dispersion=scatter,
        residuals=tuple(float(value) for value in counts / expected),
        expected=tuple(float(value) for value in expected),
    )


def _arrays(
    part: Sequence[DecaySample],
) -> tuple[NDArray[np.float64], NDArray[np.float64], NDArray[np.float64]]:
    """Minutes since the first, counts, cubic metres."""
    minutes = np.array([(sample.at_us - part[0].at_us) / MINUTE_US for sample in part], dtype=np.float64)
    counts = np.array([sample.count for sample in part], dtype=np.float64)
    air = np.array([sample.volume_ul / UL_PER_M3 for sample in part], dtype=np.float64)
    return minutes, counts, air


def _newton(design: NDArray[np.float64], counts: NDArray[np.float64], air: NDArray[np.float64]) -> NDArray[np.float64]:
    """Maximum likelihood of a Poisson log-linear model; the counts here are all above 100, so it converges at once."""
    weights = np.sqrt(counts)
    start = np.linalg.lstsq(design * weights[:, np.newaxis], np.log(counts / air) * weights, rcond=None)[0]
    coefficients: NDArray[np.float64] = np.asarray(start, dtype=np.float64)
    for _ in range(50):
        expected = air * np.exp(design @ coefficients)
        step = np.linalg.solve(design.T @ (expected[:, np.newaxis] * design), design.T @ (counts - expected))
        coefficients = coefficients + step
        if float(np.max(np.abs(step))) < 1e-12 * max(1.0, float(np.max(np.abs(coefficients)))):
            break
    return coefficients


def _straight(part: Sequence[DecaySample], fit: _Fit) -> None:
    """No sample far off the line, and no curve. Both need more than what counting explains."""
    for number, (residual, expected) in enumerate(zip(fit.residuals, fit.expected, strict=True), start=1):
        off = max(residual, 1 / residual)
        if off > _OFF_FACTOR and abs(residual - 1) * sqrt(expected) > _OFF_SIGMA:
            raise NotADecayError(
                NoDecay.NOT_STRAIGHT,
                f"the interval's sample {number} is off the line by a factor of {off:.3g}",
                "look for a source or a door in the room during the fall, and repeat the test",
            )
    if len(part) <= LEAST_SAMPLES:
        return
    minutes, counts, air = _arrays(part)
    middle = minutes - minutes[-1] / 2
    design = np.column_stack([np.ones_like(minutes), -middle, middle**2])
    curved = _newton(design, counts, air)
    expected_counts = air * np.exp(design @ curved)
    information = design.T @ (expected_counts[:, np.newaxis] * design)
    scatter = float(np.sum((counts - expected_counts) ** 2 / expected_counts)) / max(1, len(part) - 3)
    error = sqrt(float(np.linalg.inv(information)[2, 2]) * max(1.0, scatter))
    bend = float(curved[2]) * float(minutes[-1])
    begins, ends = float(curved[1]) + bend, float(curved[1]) - bend
    slower, faster = min(begins, ends), max(begins, ends)
    if not isfinite(error) or abs(float(curved[2])) <= _CURVED_SIGMA * error:
        return
    if slower <= 0 or faster / slower > _CURVED:
        raise NotADecayError(
            NoDecay.NOT_STRAIGHT,
            f"its rate goes from {begins:.3g} to {ends:.3g} per minute",
            "begin where mixing is over and end before sources show; give the background if it is known",
        )

"""Judging counts against one limit: within it, above it, or not enough air to tell.

Rules (EU GMP Annex 1, 2022, wants the alarm; the care with poor air is our choice):

- Comparisons are of integers, and a value equal to the limit passes.
- Sound air is air of a sample that has enough of it and nothing suspect in it. Only a sound newest sample can end an
  excursion; too little, suspect or missing air never shows that air is clean.
- Poor air can still show that it is dirty. Suspect air (over range, flow or laser fault, clock) is judged like any
  other as far as exceeding goes. A partial sample exceeds when its counts are already more than a full sample of
  `nominal_ul` may hold, however clean the missing rest would have been.
- More counts in the same air never make a verdict better.

Pure functions of a window of observations, oldest first, one for each sample period without gaps: a missing period is
an observation without air. Must not know alarms, delays, occupancy states or where a limit comes from.
"""

from __future__ import annotations

from collections.abc import Sequence
from enum import Enum, StrEnum
from math import ceil

from motewatch.measure.samples import INSUFFICIENT, SUSPECT, UL_PER_L, UL_PER_M3, Sample
from motewatch.measure.statistics import exceeds, exceeds_with_confidence
from motewatch.site.hot import hot_record
from motewatch.site.models import Confidence, KOfN, PerSample, RollingVolume, Rule

LOOK_BACK_BLIND = 100
"""Samples that a rolling volume may look back over where nobody says how much air a sample holds."""

_SUSPECT = int(SUSPECT)
_INSUFFICIENT = int(INSUFFICIENT)


class Verdict(StrEnum):
    """What a window shows of one limit, from best to worst."""

    WITHIN = "within"
    NOT_ENOUGH_AIR = "not-enough-air"
    EXCEEDS = "exceeds"


class Reason(Enum):
    """Why: one member for each branch of the rules, with its verdict and a sentence for people."""

    verdict: Verdict
    text: str

    # One sample, and the sample that k-of-n counts.
    SAMPLE_ABOVE = (Verdict.EXCEEDS, "the sample is above the limit")
    SUSPECT_SAMPLE_ABOVE = (Verdict.EXCEEDS, "the sample is above the limit, though its air is suspect")
    PARTIAL_SAMPLE_ABOVE = (Verdict.EXCEEDS, "a part of the sample already holds more than the whole may")
    SAMPLE_WITHIN = (Verdict.WITHIN, "the sample is not above the limit")
    SUSPECT_SAMPLE = (Verdict.NOT_ENOUGH_AIR, "the air is suspect and shows nothing by staying below the limit")
    PARTIAL_SAMPLE = (Verdict.NOT_ENOUGH_AIR, "the sample holds too little air")
    NO_AIR = (Verdict.NOT_ENOUGH_AIR, "there is no air in the sample")

    # k of n.
    K_REACHED = (Verdict.EXCEEDS, "so many of the last samples are above the limit as the rule asks for")
    K_OUT_OF_REACH = (Verdict.WITHIN, "too few of the last samples are above the limit, whatever the unknown ones held")
    K_UNDECIDED = (Verdict.NOT_ENOUGH_AIR, "samples without enough sound air could decide it either way")

    # Rolling volume.
    VOLUME_ABOVE = (Verdict.EXCEEDS, "the rolling volume is above the limit")
    SOUND_VOLUME_ABOVE = (Verdict.EXCEEDS, "the rolling volume is above the limit when suspect air is left out")
    FILLING_VOLUME_ABOVE = (Verdict.EXCEEDS, "the volume so far already holds more than the full one may")
    VOLUME_WITHIN = (Verdict.WITHIN, "the rolling volume is not above the limit")
    VOLUME_FILLING = (Verdict.NOT_ENOUGH_AIR, "the rolling volume is not yet full of sound air")
    VOLUME_NEWEST_UNSOUND = (Verdict.NOT_ENOUGH_AIR, "the newest sample has too little or suspect air")

    # Confidence.
    SURELY_ABOVE = (Verdict.EXCEEDS, "the sample is above the limit with the confidence asked for")
    NOT_SURELY_ABOVE = (Verdict.WITHIN, "the sample is not above the limit with the confidence asked for")

    def __init__(self, verdict: Verdict, text: str) -> None:
        self.verdict = verdict
        self.text = text


@hot_record(frozen=True, slots=True)
class Judgement:
    """A verdict with its reason and the figures behind it.

    `count` and `volume_ul` are those of the air that decided: the newest sample, the newest sample above the limit
    where k-of-n exceeds, the rolling volume.
    """

    verdict: Verdict
    reason: Reason
    count: int
    volume_ul: int
    limit_per_m3: int

    @property
    def per_m3(self) -> float | None:
        """The concentration that was judged; None without air."""
        return self.count * UL_PER_M3 / self.volume_ul if self.volume_ul else None


@hot_record(frozen=True, slots=True)
class Observation:
    """One size of one sample as the rules see it."""

    end_us: int
    count: int
    volume_ul: int
    sufficient: bool
    suspect: bool
    nominal_ul: int | None
    """Air of a full sample; None where unknown, and then a partial sample shows nothing."""

    @property
    def sound(self) -> bool:
        """Enough air, none of it suspect: such a sample can show that air is clean."""
        return self.sufficient and not self.suspect


def observe(sample: Sample, size_nm: int, nominal_ul: int | None = None) -> Observation:
    """One size of a sample. A size that was not counted is an observation without air.

    A size counted in less air than the others (a visiting sensor had a channel more) is taken as partial: the
    sample's coverage speaks for its fullest channel only.
    """
    count = volume_ul = fullest_ul = 0
    for channel in sample.channels:
        if channel.volume_ul > fullest_ul:
            fullest_ul = channel.volume_ul
        if channel.size_nm == size_nm:
            count, volume_ul = channel.count, channel.volume_ul
    quality = int(sample.quality)
    sufficient = not quality & _INSUFFICIENT and 0 < volume_ul == fullest_ul
    return Observation(sample.end_us, count, volume_ul, sufficient, bool(quality & _SUSPECT), nominal_ul)


def look_back(rule: Rule, nominal_ul: int | None, min_coverage: float = 0.75) -> int:
    """How many samples, the newest included, the rule may need to see.

    For a rolling volume: as many as fill it when each has only just the coverage (0 to 1) that is asked for, and one
    more. Without a nominal volume nobody can tell, and `LOOK_BACK_BLIND` has to do.
    """
    if isinstance(rule, KOfN):
        return rule.n
    if isinstance(rule, RollingVolume):
        if not nominal_ul:
            return LOOK_BACK_BLIND
        return ceil(_target_ul(rule) / (nominal_ul * min_coverage)) + 1
    return 1


def judge(rule: Rule, window: Sequence[Observation], limit_per_m3: int) -> Judgement:
    """What the window (oldest first) shows of the limit after its newest sample.

    The window may be longer than the rule needs. Where it is shorter, the samples before it are unknown.
    """
    if not window:
        return _judgement(Reason.NO_AIR, 0, 0, limit_per_m3)
    if isinstance(rule, PerSample):
        newest = window[-1]
        return _judgement(_of_sample(newest, limit_per_m3), newest.count, newest.volume_ul, limit_per_m3)
    if isinstance(rule, KOfN):
        return _judge_k_of_n(rule, window, limit_per_m3)
    if isinstance(rule, RollingVolume):
        return _judge_volume(rule, window, limit_per_m3)
    return _judge_confidence(rule, window[-1], limit_per_m3)


def _judgement(reason: Reason, count: int, volume_ul: int, limit_per_m3: int) -> Judgement:
    return Judgement(reason.verdict, reason, count, volume_ul, limit_per_m3)


def _of_sample(seen: Observation, limit_per_m3: int) -> Reason:
    """One sample on its own."""
    if seen.volume_ul <= 0:
        return Reason.NO_AIR
    if not seen.sufficient:
        full_ul = _full_ul(seen)
        if full_ul is not None and exceeds(seen.count, full_ul, limit_per_m3):
            return Reason.PARTIAL_SAMPLE_ABOVE
        return Reason.PARTIAL_SAMPLE
    if exceeds(seen.count, seen.volume_ul, limit_per_m3):
        return Reason.SUSPECT_SAMPLE_ABOVE if seen.suspect else Reason.SAMPLE_ABOVE
    return Reason.SUSPECT_SAMPLE if seen.suspect else Reason.SAMPLE_WITHIN


def _full_ul(seen: Observation) -> int | None:
    # A sample can be partial by time and yet hold more than its nominal air: then its own air is the full one.
    return None if seen.nominal_ul is None else max(seen.nominal_ul, seen.volume_ul)


def _judge_k_of_n(rule: KOfN, window: Sequence[Observation], limit_per_m3: int) -> Judgement:
    """Samples that show nothing, and samples before the window, may each have been above the limit or not.

    So an unknown newest sample cannot end an excursion: it takes away at most one sample above the limit at the old
    end of the window and adds one unknown at the new end.
    """
    above = 0
    known_within = 0
    newest_above: Observation | None = None
    for seen in window[: -rule.n - 1 : -1]:
        verdict = _of_sample(seen, limit_per_m3).verdict
        if verdict is Verdict.EXCEEDS:
            above += 1
            newest_above = newest_above or seen
        elif verdict is Verdict.WITHIN:
            known_within += 1
    if above >= rule.k and newest_above is not None:
        return _judgement(Reason.K_REACHED, newest_above.count, newest_above.volume_ul, limit_per_m3)
    unknown = rule.n - above - known_within
    reason = Reason.K_OUT_OF_REACH if above + unknown < rule.k else Reason.K_UNDECIDED
    return _judgement(reason, window[-1].count, window[-1].volume_ul, limit_per_m3)


def _target_ul(rule: RollingVolume) -> int:
    return round(rule.volume_l * UL_PER_L)


def _judge_volume(rule: RollingVolume, window: Sequence[Observation], limit_per_m3: int) -> Judgement:
    """The newest air, back until it fills the volume, is judged twice: all of it, and without what is suspect.

    All air, because dirt in suspect air is dirt; without suspect air, because a failing counter that counts nothing
    must not dilute what a sound one has seen. Either may exceed. Air of partial samples counts like other air: the
    rule itself asks for enough of it. A volume that is not full exceeds when its counts are already more than the
    full one may hold. Within needs a volume full of unsuspect air and a sound newest sample.
    """
    target_ul = _target_ul(rule)
    count, volume_ul = _gather(window, target_ul, with_suspect=True)
    if exceeds(count, max(volume_ul, target_ul), limit_per_m3):
        full = volume_ul >= target_ul
        reason = Reason.VOLUME_ABOVE if full else Reason.FILLING_VOLUME_ABOVE
        return _judgement(reason, count, volume_ul, limit_per_m3)
    if any(seen.suspect for seen in window):
        count, volume_ul = _gather(window, target_ul, with_suspect=False)
        if exceeds(count, max(volume_ul, target_ul), limit_per_m3):
            return _judgement(Reason.SOUND_VOLUME_ABOVE, count, volume_ul, limit_per_m3)
    if volume_ul < target_ul:
        reason = Reason.VOLUME_FILLING
    elif not window[-1].sound:
        reason = Reason.VOLUME_NEWEST_UNSOUND
    else:
        reason = Reason.VOLUME_WITHIN
    return _judgement(reason, count, volume_ul, limit_per_m3)


def _gather(window: Sequence[Observation], target_ul: int, with_suspect: bool) -> tuple[int, int]:
    """Counts and air of the newest samples, back until they fill the volume or the window ends."""
    count = volume_ul = 0
    for seen in reversed(window):
        if with_suspect or not seen.suspect:
            count += seen.count
            volume_ul += seen.volume_ul
            if volume_ul >= target_ul:
                break
    return count, volume_ul


def _judge_confidence(rule: Confidence, newest: Observation, limit_per_m3: int) -> Judgement:
    """Poor air is treated as for one sample; only the comparison is another."""
    reason = _of_sample(newest, limit_per_m3)
    if reason.verdict is Verdict.EXCEEDS:
        volume_ul = newest.volume_ul if newest.sufficient else _full_ul(newest)
        sure = volume_ul is not None and exceeds_with_confidence(
            newest.count, volume_ul, limit_per_m3, rule.confidence_pct / 100
        )
        if newest.sound:
            reason = Reason.SURELY_ABOVE if sure else Reason.NOT_SURELY_ABOVE
        elif not sure:
            reason = Reason.SUSPECT_SAMPLE if newest.sufficient else Reason.PARTIAL_SAMPLE
    elif reason is Reason.SAMPLE_WITHIN:
        reason = Reason.NOT_SURELY_ABOVE
    return _judgement(reason, newest.count, newest.volume_ul, limit_per_m3)

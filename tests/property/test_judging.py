"""What must hold of verdicts whatever the air: more counts never help, poor air never clears, equal passes."""

from __future__ import annotations

from dataclasses import replace

from hypothesis import assume, given
from hypothesis import strategies as st

from motewatch.limits.judging import Observation, Verdict, judge
from motewatch.site.models import Confidence, KOfN, PerSample, RollingVolume, Rule

SEVERITY = {Verdict.WITHIN: 0, Verdict.NOT_ENOUGH_AIR: 1, Verdict.EXCEEDS: 2}
LIMITS = st.sampled_from([0, 29, 3_520, 352_000]) | st.integers(0, 10**6)


@st.composite
def rules(draw: st.DrawFn) -> Rule:
    kind = draw(st.sampled_from(["per-sample", "k-of-n", "rolling-volume", "confidence"]))
    if kind == "per-sample":
        return PerSample(kind="per-sample")
    if kind == "k-of-n":
        n = draw(st.integers(1, 6))
        return KOfN(kind="k-of-n", k=draw(st.integers(1, n)), n=n)
    if kind == "rolling-volume":
        return RollingVolume(kind="rolling-volume", volume_l=draw(st.floats(1, 200)))
    return Confidence(kind="confidence", confidence_pct=draw(st.floats(51, 99.9)))


@st.composite
def observations(draw: st.DrawFn) -> Observation:
    if draw(st.integers(0, 4)) == 0:
        return Observation(0, 0, 0, sufficient=False, suspect=False, nominal_ul=28_300_000)
    return Observation(
        end_us=0,
        count=draw(st.integers(0, 5) | st.integers(0, 20_000)),
        volume_ul=draw(st.just(28_300_000) | st.integers(1, 50_000_000)),
        sufficient=draw(st.booleans()),
        suspect=draw(st.booleans()),
        nominal_ul=draw(st.none() | st.just(28_300_000)),
    )


WINDOWS = st.lists(observations(), min_size=1, max_size=10)


@given(rules(), WINDOWS, LIMITS, st.data())
def test_more_counts_never_make_a_verdict_better(
    rule: Rule, window: list[Observation], limit: int, data: st.DataObject
) -> None:
    dirtier = [
        replace(seen, count=seen.count + data.draw(st.just(0) | st.integers(0, 20_000))) if seen.volume_ul else seen
        for seen in window
    ]
    before, after = judge(rule, window, limit), judge(rule, dirtier, limit)
    assert SEVERITY[after.verdict] >= SEVERITY[before.verdict]


@given(rules(), WINDOWS, LIMITS, st.integers(0, 10**6))
def test_a_lower_limit_never_makes_a_verdict_better(
    rule: Rule, window: list[Observation], limit: int, raised: int
) -> None:
    strict, loose = judge(rule, window, limit), judge(rule, window, limit + raised)
    assert SEVERITY[strict.verdict] >= SEVERITY[loose.verdict]


@given(rules(), WINDOWS, LIMITS, st.data())
def test_poor_air_never_ends_an_excursion(
    rule: Rule, window: list[Observation], limit: int, data: st.DataObject
) -> None:
    """Whatever is appended, a window that is not within does not become within by a newest sample that is not sound."""
    assume(judge(rule, window, limit).verdict is not Verdict.WITHIN)
    newest = data.draw(observations())
    assume(not newest.sound)
    assert judge(rule, [*window, newest], limit).verdict is not Verdict.WITHIN


@given(rules(), WINDOWS, LIMITS)
def test_making_air_suspect_never_clears(rule: Rule, window: list[Observation], limit: int) -> None:
    """The same counts, all of them under suspicion, are never judged within."""
    doubted = [replace(seen, suspect=True) for seen in window]
    assert judge(rule, doubted, limit).verdict is not Verdict.WITHIN


@given(rules(), st.integers(1, 6), st.integers(0, 1_000))
def test_air_equal_to_the_limit_passes(rule: Rule, litres: int, per_litre: int) -> None:
    """Full windows of air exactly at the limit are within it by every rule; one count more in each is not, by those
    that compare without a margin."""
    volume_ul = litres * 1_000_000
    at_limit = Observation(0, litres * per_litre, volume_ul, sufficient=True, suspect=False, nominal_ul=volume_ul)
    limit = per_litre * 1_000
    assert judge(rule, [at_limit] * 250, limit).verdict is Verdict.WITHIN
    above = replace(at_limit, count=at_limit.count + 1)
    if not isinstance(rule, Confidence):
        assert judge(rule, [above] * 250, limit).verdict is Verdict.EXCEEDS


@given(rules(), WINDOWS, LIMITS)
def test_the_figures_bear_the_verdict_out(rule: Rule, window: list[Observation], limit: int) -> None:
    """What is shown to people as exceeding is above the limit by its own figures."""
    judgement = judge(rule, window, limit)
    if judgement.verdict is Verdict.EXCEEDS:
        assert judgement.count * 10**9 > limit * judgement.volume_ul
        assert judgement.volume_ul > 0

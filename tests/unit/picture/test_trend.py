"""A trend in words and lines: levels as they were, gaps that stay, and a drawing that says the same."""

from __future__ import annotations

import re
from dataclasses import replace
from xml.etree import ElementTree
from zoneinfo import ZoneInfo

from motewatch.engine.plan import CountLevel, Grade
from motewatch.measure.samples import Channel, Quality, Sample, Spread
from motewatch.measure.stretches import join, of_sample
from motewatch.picture.trend import (
    AlarmBar,
    Bucket,
    NoteMark,
    Rules,
    Trend,
    beyond,
    level_steps,
    moved,
    shown_share,
    unmeasured,
)
from motewatch.picture.trend_chart import NARROW, WIDE, trend_chart
from motewatch.wire.records import MINUTE_US

ZONE = ZoneInfo("Europe/Berlin")
START_US = 1_772_668_800_000_000
LITRES_28_UL = 28_300_000


def level(per_m3: int, grade: Grade = Grade.ACTION) -> CountLevel:
    return CountLevel(500, grade, per_m3, "test")


def rules(from_us: int, at_rest: int, operational: int, gap_us: int = 0) -> Rules:
    return Rules(from_us, {"at-rest": (level(at_rest),), "operational": (level(operational),)}, (), gap_us)


def minute(number: int, count: int | None = 10, occupancy: str = "at-rest") -> Bucket:
    begin = START_US + number * MINUTE_US
    channels = () if count is None else (Channel(500, count, LITRES_28_UL),)
    sample = Sample(
        "bench", begin, begin + MINUTE_US, 1, channels, MINUTE_US, 1, ("s",), Quality.GOOD, occupancy,
        temperature=Spread(1, 21_000, 21_000, 21_000),
    )  # fmt: skip
    return Bucket(begin, begin + MINUTE_US, of_sample(sample))


def trend(*buckets: Bucket, held: tuple[Rules, ...] = (rules(0, 3520, 352_000),), minutes: int = 10) -> Trend:
    until = START_US + minutes * MINUTE_US
    return Trend("bench", "Bench", START_US, until, until + 10 * MINUTE_US, 0, (500,), buckets, held)


def at(number: float) -> int:
    return START_US + round(number * MINUTE_US)


def test_each_sample_is_held_against_the_level_of_its_state_and_time() -> None:
    shown = trend(
        minute(0, 1000, "operational"),
        minute(1, 1000, "at-rest"),
        minute(2, 1000, "at-rest"),
        held=(rules(0, 100_000, 352_000), rules(at(2.5), 3520, 352_000)),
    )
    (found,) = beyond(shown, 500)
    assert (found.bucket, found.grade, found.level) == (2, Grade.ACTION, 3520)
    assert level_steps(shown, 500, Grade.ACTION) == [
        (at(0), at(1), 352_000),
        (at(1), at(2.5), 100_000),
        (at(2.5), at(3), 3520),
    ]
    assert level_steps(shown, 500, Grade.ALERT) == []


def test_a_peak_in_operation_is_not_held_against_the_level_at_rest_of_the_same_bucket() -> None:
    both = join([minute(0, 2000, "operational").stretch, minute(1, 10, "at-rest").stretch])
    assert beyond(trend(Bucket(at(0), at(2), both)), 500) == []


def test_what_nobody_measured_is_named_and_what_has_not_come_is_not() -> None:
    shown = trend(minute(2), minute(3, None), minute(4))
    assert unmeasured(shown) == [(at(0), at(2), True), (at(3), at(4), True), (at(5), at(10), True)]
    assert shown_share(shown) == 0.2
    early = replace(shown, now_us=at(5) + MINUTE_US)
    assert unmeasured(early) == [(at(0), at(2), True), (at(3), at(4), True)]
    assert shown_share(replace(shown, now_us=START_US)) is None


def test_a_hole_within_a_bucket_is_told_as_such() -> None:
    holed = join([minute(0).stretch, minute(5).stretch])
    shown = replace(trend(Bucket(at(0), at(6), holed), minutes=6), width_us=6 * MINUTE_US, now_us=at(6))
    assert unmeasured(shown) == [(at(0), at(6), False)]
    share = shown_share(shown)
    assert share is not None
    assert round(share, 3) == round(2 / 6, 3)


def test_readings_that_may_be_apart_are_no_gap() -> None:
    shown = trend(minute(0), minute(2), held=(rules(0, 3520, 3520, 2 * MINUTE_US),), minutes=3)
    assert unmeasured(shown) == []


def test_the_drawing_is_sound_xml_says_each_sign_in_shape_and_escapes_what_comes_from_outside() -> None:
    shown = replace(
        trend(minute(0, 0), minute(1, 10_000), minute(3)),
        name='"><script>',
        location="a&b",
        alarms=(AlarmBar("x", "<b>high</b>", "action", at(1), None),),
        notes=(NoteMark(at(2), "olga", "<i>door</i>"),),
        beside=(moved(minute(0), MINUTE_US),),
    )
    for width in (WIDE, NARROW):
        text = trend_chart(shown, ZONE, width, standalone=True)
        root = ElementTree.fromstring(text)
        assert root.get("data-from") == str(START_US // 1000)
        assert "<script" not in text
        assert "<b>" not in text
        assert "style=" not in text
        assert "action 3 520" in text
        titles = [each.text for each in root.iter("{http://www.w3.org/2000/svg}title")]
        assert "<i>door</i>" in titles
        assert "m0 -10l-10 10" in text


def _lines(text: str, css: str) -> list[str]:
    return re.findall(rf'<path class="{css}" d="([^"]+)"', text)


def test_no_line_is_drawn_over_a_gap() -> None:
    through = trend_chart(trend(minute(0), minute(1), minute(2)), ZONE)
    broken = trend_chart(trend(minute(0), minute(2)), ZONE)
    missing = trend_chart(trend(minute(0), minute(1, None), minute(2)), ZONE)
    # One line for the counts and one for the temperature.
    assert [each.count("M") for each in _lines(through, "t-value")] == [1, 1]
    assert len(_lines(broken, "t-value")) == 4
    assert len(_lines(missing, "t-value")) == 3


def test_an_empty_trend_says_so() -> None:
    text = trend_chart(trend(), ZONE)
    assert "not measured" in text
    ElementTree.fromstring(text)

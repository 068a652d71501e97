"""Figures, shares, times and sentences."""

from __future__ import annotations

from zoneinfo import ZoneInfo

import pytest

from motewatch.picture import words
from motewatch.picture.words import ASCII, UNICODE, Holding, Signs, signs_for
from motewatch.wire.messages import AlarmEventMessage, AlarmMessage
from support.night import ABOVE, ACTION, NOISE, PRESSURE, SILENT, at, step

BERLIN = ZoneInfo("Europe/Berlin")
NAMES = {"needles": "Filling needles", "middle": "Corridor, middle"}
NOON = at(8.8 * 3600)  # 12:00 in the plant, on Monday 2 March


@pytest.mark.parametrize(
    ("value", "text"),
    [
        (0.0, "0 %"), (0.0001, "<1 %"), (0.0099, "<1 %"), (0.01, "1 %"), (0.375, "38 %"), (0.994, "99 %"),
        (0.9999, "99 %"), (1.0, "100 %"), (1.0001, "101 %"), (1.375, "138 %"), (50.0, "5000 %"),
    ],
)  # fmt: skip
def test_a_share_is_never_rounded_over_its_limit(value: float, text: str) -> None:
    assert words.share(value) == text


@pytest.mark.parametrize(
    ("value", "text"), [(0, "0"), (35.3, "35.3"), (4841.0, "4 841"), (3_520_000, "3 520 000"), (8.25, "8.2")]
)
def test_figures_have_their_thousands_apart(value: float, text: str) -> None:
    assert words.figure(value) == text


@pytest.mark.parametrize(("value", "text"), [(3520, "3 520"), (18.0, "18"), (18.5, "18.5"), (352_000.0, "352 000")])
def test_limits_are_written_as_they_were_set(value: float, text: str) -> None:
    assert words.limit_figure(value) == text


@pytest.mark.parametrize(
    ("ago_s", "text"), [(0, "12:00:00"), (3600, "11:00:00"), (86_400, "Sun 12:00"), (8 * 86_400, "22 Feb 12:00")]
)
def test_the_clock_says_the_day_where_it_is_not_today(ago_s: int, text: str) -> None:
    assert words.clock(NOON - ago_s * 1_000_000, BERLIN, NOON) == text


@pytest.mark.parametrize(
    ("seconds", "text"),
    [(-1, "0 s"), (8, "8 s"), (119, "119 s"), (240, "4 min"), (11_400, "3 h 10 min"), (260_000, "3 days")],
)
def test_stretches_of_time(seconds: int, text: str) -> None:
    assert words.lasting(seconds * 1_000_000) == text


def test_every_holding_has_its_own_word_and_the_urgent_ones_their_own_shape() -> None:
    for signs in (UNICODE, ASCII):
        shapes = [signs.of(holding) for holding in (Holding.OUT, Holding.UNKNOWN, Holding.ALERT, Holding.HOLDS)]
        assert len({*shapes, signs.none}) == 5
    assert len({holding.word for holding in Holding}) == len(Holding)


@pytest.mark.parametrize(
    ("encoding", "signs"),
    [("utf-8", UNICODE), ("ascii", ASCII), ("latin-1", ASCII), (None, ASCII), ("nonsense", ASCII)],
)
def test_the_shapes_are_those_that_the_output_can_show(encoding: str | None, signs: Signs) -> None:
    assert signs_for(encoding) is signs


def test_ascii_shapes_are_ascii() -> None:
    assert all(getattr(ASCII, name).isascii() for name in Signs.__slots__)


def alarm_and_event(*args: object, **more: object) -> tuple[AlarmMessage, AlarmEventMessage]:
    alarm, event = step(*args, **more)  # type: ignore[arg-type]
    assert isinstance(alarm, AlarmMessage)
    assert isinstance(event, AlarmEventMessage)
    return alarm, event


def test_what_an_alarm_is_about() -> None:
    alarm, _ = alarm_and_event(ACTION, "starts", "normal", "unacknowledged", 0, ABOVE, **NOISE)
    assert words.about(alarm, NAMES, UNICODE) == "Filling needles: ≥0.5 µm 4 841/m³, action at 3 520"
    assert words.about(alarm, {}, ASCII) == "needles: >=0.5 um 4 841/m3, action at 3 520"
    pressure, _ = alarm_and_event(
        PRESSURE, "starts", "normal", "unacknowledged", 0, "", value=8.24, limit=10.0, unit="Pa", location="needles"
    )
    assert words.about(pressure, NAMES, UNICODE) == "Filling needles: pressure 8.2 Pa, action at 10"
    silent, _ = alarm_and_event(SILENT, "starts", "normal", "unacknowledged", 0, "", location="middle")
    assert words.about(silent, NAMES, UNICODE) == "sensor pc-06 (Corridor, middle): silent"
    short, _ = alarm_and_event(
        "location/middle/insufficient-sampling", "starts", "normal", "unacknowledged", 0, "", value=40.0, unit="%",
        location="middle",
    )  # fmt: skip
    assert words.about(short, NAMES, UNICODE) == "Corridor, middle: insufficient sampling 40.0 %"
    broker, _ = alarm_and_event("service/broker", "starts", "normal", "unacknowledged", 0, "")
    assert words.about(broker, NAMES, UNICODE) == "service: broker"


def test_what_happened() -> None:
    _, event = alarm_and_event(ACTION, "starts", "normal", "unacknowledged", 0, ABOVE, **NOISE)
    said = "Filling needles: 4 841/m³ ≥0.5 µm, above the action level of 3 520 (EU GMP Annex 1)"
    assert words.happened(event, NAMES, UNICODE) == said
    _, event = alarm_and_event(
        ACTION, "acknowledge", "unacknowledged", "acknowledged", 0, ABOVE, by="M. Okafor", comment="Door.", **NOISE
    )
    said = 'M. Okafor acknowledged Filling needles: ≥0.5 µm, action. "Door."'
    assert words.happened(event, NAMES, UNICODE) == said
    _, event = alarm_and_event(ACTION, "shelve", "unacknowledged", "shelved", 0, ABOVE, by="M. Okafor", **NOISE)
    said = "Filling needles: ≥0.5 µm, action: shelved (by M. Okafor)"
    assert words.happened(event, NAMES, UNICODE) == said


def test_texts_from_outside_cannot_move_the_cursor() -> None:
    _, event = alarm_and_event(
        ACTION,
        "acknowledge",
        "unacknowledged",
        "acknowledged",
        0,
        "\x1b[2J",
        by="\x1b]0;x\x07",
        comment="a\rb",
        **NOISE,
    )
    assert words.happened(event, NAMES, UNICODE).isprintable()
    alarm, event = alarm_and_event("location/\x1b[1A/x", "starts", "normal", "unacknowledged", 0, "\x1b[2J\nx")
    assert words.happened(event, NAMES, UNICODE).isprintable()
    assert words.about(alarm, {}, UNICODE).isprintable()


@pytest.mark.parametrize(
    ("text", "zone", "local"),
    [
        (
            "'a' is now shelved until 2026-11-25 23:30 UTC",
            "Europe/Berlin",
            "'a' is now shelved until 2026-11-26 00:30 CET",
        ),
        ("until 2026-07-01 22:00 UTC; work", "Europe/Berlin", "until 2026-07-02 00:00 CEST; work"),
        ("2026-07-01 22:00:59 UTC to now", "Europe/Berlin", "2026-07-02 00:00:59 CEST to now"),
        ("so until 2026-07-01 22:00 UTC", "America/Sao_Paulo", "so until 2026-07-01 19:00 UTC-03"),
        ("until 2026-02-30 22:00 UTC", "Europe/Berlin", "until 2026-02-30 22:00 UTC"),
        ("permit 2026-02-20 22:00 UTCX", "Europe/Berlin", "permit 2026-02-20 22:00 UTCX"),
        ("on my way", "Europe/Berlin", "on my way"),
    ],
)
def test_sentences_of_the_record_are_shown_in_the_sites_time(text: str, zone: str, local: str) -> None:
    assert words.local_times(text, ZoneInfo(zone)) == local


@pytest.mark.parametrize(
    ("text", "shown"),
    [
        ("4 841 particles/m3 >= 0.5 um, above the action level", "4 841 particles/m³ ≥0.5 µm, above the action level"),
        ("29 300 /m3 (at-rest)", "29 300 /m³ (at-rest)"),
        ("room m3 with >= 5 umbrellas", "room m3 with >= 5 umbrellas"),
    ],
)
def test_units_of_the_record_are_shown_with_the_signs_of_the_screen(text: str, shown: str) -> None:
    assert words.units(text, UNICODE) == shown
    assert words.units(text, ASCII).replace(">=0.5", ">= 0.5") == text

"""The printed report of a recovery test, as one HTML text for A4. Text in, text out."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass

from motewatch.limits import well_mixed
from motewatch.limits.recovery import (
    BACKGROUNDS,
    LN_100,
    MORE_COUNTS_THAN,
    PRINTED_LN_100,
    DecaySample,
    Recovery,
)
from motewatch.links import report_page
from motewatch.links.decay_plot import decay_plot
from motewatch.links.figures import concentration, grouped
from motewatch.site.basics import size_text
from motewatch.wire.records import MINUTE_US


@dataclass(frozen=True, slots=True)
class RecoveryGiven:
    """What the result was made from. None: not given. `target_per_m3` is what the room must come back to."""

    version: str
    made: str
    source: str
    size_nm: int
    location: str | None = None
    where: str | None = None
    tested_on: str | None = None
    by: str | None = None
    counter: str | None = None
    air_changes_per_h: float | None = None
    target_per_m3: float | None = None


def results(found: Recovery, given: RecoveryGiven) -> list[tuple[str, str]]:
    """The result, line by line."""
    fastest, slowest = found.hundredth_bounds_min
    percent = f"{100 * found.confidence:g} %"
    form = "printed form, 2.3 for ln 10" if found.printed else "ln form"
    rows = [
        (
            "100:1 recovery time, by the rate",
            f"{found.hundredth_min:.2f} min ({percent}: {fastest:.2f} to {slowest:.2f})",
        ),
        ("100:1 recovery time, as seen", _seen(found)),
        (
            f"cleanliness recovery rate n ({form})",
            f"{found.rate_per_min:.4f} per min ({percent}: {found.lower_per_min:.4f} to {found.upper_per_min:.4f})",
        ),
        ("the same per hour", f"{60 * found.rate_per_min:.2f} per h"),
        (
            "fitted interval",
            f"{found.samples} samples over {(found.end_us - found.start_us) / MINUTE_US:.4g} min, from "
            f"{concentration(found.start_per_m3)} to {concentration(found.end_per_m3)} per m3",
        ),
        (
            "background",
            f"{concentration(found.background_per_m3)} per m3 "
            + ("(given)" if found.background_given else "(the last samples)"),
        ),
        ("scatter about the line", f"{found.dispersion:.2f} times that of counting alone"),
    ]
    if given.air_changes_per_h is not None:
        # The well-mixed room knows the true logarithm only.
        true_rate = 60 * found.rate_per_min * (LN_100 / PRINTED_LN_100 if found.printed else 1)
        mixed = well_mixed.removal_minutes(given.air_changes_per_h, 0.99)
        effectiveness = well_mixed.air_change_effectiveness(true_rate, given.air_changes_per_h)
        rows += [
            (f"perfectly mixed at {given.air_changes_per_h:g} air changes/h", f"100:1 in {mixed:.2f} min"),
            ("measured rate as a share of the supply's", f"{effectiveness:.2f}"),
        ]
    return rows


def _seen(found: Recovery) -> str:
    if found.seen_fall_min is None:
        return "not reached while it was sampled"
    return f"{found.seen_fall_min:.2f} min"


def remarks(found: Recovery, given: RecoveryGiven) -> list[str]:
    """What else a reader should know."""
    texts = []
    if given.target_per_m3 is not None and found.start_per_m3 < 100 * given.target_per_m3:
        texts.append(
            f"The start of {concentration(found.start_per_m3)} per m3 is below 100 times the target of "
            f"{concentration(given.target_per_m3)}, which ISO 14644-3 asks for: state the rate, not the 100:1 time."
        )
    if found.dispersion > 4:
        texts.append("The scatter is much larger than counting gives: the interval was widened for it.")
    return texts


def recovery_report(stream: Sequence[DecaySample], found: Recovery, given: RecoveryGiven) -> str:
    """The document."""
    title = "Recovery test"
    place = f"location {given.location}" if given.location else None
    sub = " · ".join(
        t for t in (given.where, place, report_page.typeset(f">= {size_text(given.size_nm)}"), given.tested_on) if t
    )
    word = f"100:1 in {found.hundredth_min:.1f} min"
    rate = f"Cleanliness recovery rate {found.rate_per_min:.3f} per minute, {60 * found.rate_per_min:.1f} per hour."
    body = [
        report_page.heading(title, sub),
        report_page.verdict("plain", word, [rate]),
        report_page.section(
            "Result",
            report_page.facts((name, report_page.typeset(text)) for name, text in results(found, given)),
            report_page.bullets(map(report_page.typeset, remarks(found, given))),
        ),
        report_page.section(
            "Fall",
            report_page.figure(
                decay_plot(stream, found),
                "Shaded: the fitted interval. Samples without counts stand on the lower edge.",
            ),
        ),
        report_page.section("Given", _facts(given)),
        report_page.section("Assumed", report_page.bullets(assumptions(found))),
        report_page.section("Samples", _samples(stream, found)),
        report_page.closing(given.version, given.made),
    ]
    return report_page.page(f"{title}: {word}", f"{given.where or title}: {word}", body)


def assumptions(found: Recovery) -> list[str]:
    """The rules of the fit, and what was taken for granted."""
    return [
        f"Fitted from the highest sample on, while the concentration is above {BACKGROUNDS} times the background and "
        f"a sample holds more than {MORE_COUNTS_THAN} counts, without suspect samples: our own rule for the straight "
        "part of the semi-log plot.",
        "The rate by Poisson likelihood; its interval widened by the scatter seen, with Student's t.",
        f"Towards {BACKGROUNDS} times the background the fall is already slower: the rate reads up to 5 % low for it.",
        "No source in the room during the fall; the room is not unidirectional; all samples are equally long.",
        "The formulas of ISO 14644-3 are held from memory of the standard"
        + ("; printed form with 2.3 and 4.6." if found.printed else "; with ln 10 instead of the printed 2.3."),
    ]


def _facts(given: RecoveryGiven) -> str:
    supply = given.air_changes_per_h
    return report_page.facts(
        [
            ("room or zone", given.where),
            ("location", given.location),
            ("tested on", given.tested_on),
            ("tested by", given.by),
            ("counter and its calibration", given.counter),
            ("size", report_page.typeset(f"at or above {size_text(given.size_nm)}")),
            ("supply", None if supply is None else f"{supply:g} air changes per hour"),
            ("target", None if given.target_per_m3 is None else f"{concentration(given.target_per_m3)} per m³"),
            ("samples from", given.source),
        ]
    )


def _samples(stream: Sequence[DecaySample], found: Recovery) -> str:
    rows = []
    for index, sample in enumerate(stream):
        fitted = found.first <= index <= found.last
        use = "suspect" if sample.suspect else "fitted" if fitted else ""
        line = concentration(found.line_per_m3(sample.at_us)) if fitted else ""
        minutes = f"{(sample.at_us - found.start_us) / MINUTE_US:.2f}"
        rows.append([minutes, grouped(sample.count), concentration(sample.per_m3), line, use])
    return report_page.table(("min", "count", "per m3", "line, per m3", "use"), rows, range(4), dense=True)

"""`propose-levels` for people and for programs: the evidence, the methods side by side, and lines to paste."""

from __future__ import annotations

import textwrap
from collections.abc import Sequence
from dataclasses import asdict, dataclass, replace
from datetime import UTC, datetime
from typing import Any, Final
from zoneinfo import ZoneInfo

from motewatch.cli.printing import table
from motewatch.cli.rule_text import duration, number, rate
from motewatch.measure.history import CountHistory
from motewatch.measure.level_proposals import Cap, CusumProposal, LevelKind, LevelMethod, Proposal, Refused
from motewatch.measure.samples import UL_PER_L, UL_PER_M3
from motewatch.site.basics import size_text
from motewatch.wire.records import SECOND_US

WIDTH: Final = 100
PASTED: Final = LevelMethod.NEGATIVE_BINOMIAL
"""Whose levels are written out where nobody chose a method: the one that knows the history's scatter."""


@dataclass(frozen=True, slots=True)
class Answer:
    """What was found for one size."""

    name: str
    location: str
    size_nm: int
    state: str
    since: str
    leave_out_above: float | None
    caps: dict[LevelKind, Cap]
    history: CountHistory | None
    rows: tuple[Proposal | Refused, ...]
    cusum: CusumProposal | str | None
    """A sum that finds a doubling, or why there is none."""
    refusal: str | None
    cut: bool
    """Were the samples so many that only the newest were read?"""

    def refused(self, why: str) -> Answer:
        """Nothing can be proposed, and why."""
        return replace(self, refusal=why)

    def with_proposals(self, rows: tuple[Proposal | Refused, ...], cusum: CusumProposal | str) -> Answer:
        """With what the methods gave."""
        return replace(self, rows=rows, cusum=cusum)

    def to_plain(self) -> dict[str, Any]:
        """For JSON, every figure."""
        cap = self.caps.get(LevelKind.ACTION)
        return {
            "location": self.location,
            "size_um": self.size_nm / 1000,
            "occupancy": self.state,
            "capped_by": None if cap is None else {"per_m3": cap.per_m3, "source": cap.source},
            "left_out_above_per_m3": self.leave_out_above,
            "newest_samples_only": self.cut,
            "evidence": None if self.history is None else _evidence(self.history),
            "refusal": self.refusal,
            "proposals": [_plain(row) for row in self.rows],
            "poisson_cusum": asdict(self.cusum) if isinstance(self.cusum, CusumProposal) else {"needs": self.cusum},
        }


def _evidence(history: CountHistory) -> dict[str, Any]:
    return {
        "samples": history.n,
        "first_end": _utc(int(history.ends_us[0])),
        "last_end": _utc(int(history.ends_us[-1])),
        "spacing_s": history.spacing_us / SECOND_US,
        "sample_l": history.usual_volume_ul / UL_PER_L,
        "particles": history.count,
        "air_m3": history.air_ul / UL_PER_M3,
        "mean_per_m3": history.per_m3,
        "mean_lower_95_per_m3": history.interval_per_m3.lower,
        "mean_upper_95_per_m3": history.interval_per_m3.upper,
        "greatest_per_m3": float(history.concentrations.max()),
        "dispersion_alpha": history.alpha,
        "autocorrelation_lag_1": history.lag_one,
        "effective_samples": history.effective_n,
        "left_out": dict(history.left_out),
    }


def _plain(row: Proposal | Refused) -> dict[str, Any]:
    common = {"method": row.method.value, "level": row.kind.value}
    if isinstance(row, Refused):
        return {**common, "needs": row.needs}
    return {
        **common,
        "how": row.how,
        "asks_per_m3": row.asks_per_m3,
        "level_per_m3": row.level_per_m3,
        "within_cap": row.fits,
        "first_count_that_exceeds": row.count,
        "expected_alarms_per_30_days": row.expected_alarms,
        "seen_alarms_per_30_days": row.seen_alarms,
    }


def _utc(at_us: int) -> str:
    return datetime.fromtimestamp(at_us // SECOND_US, UTC).isoformat().replace("+00:00", "Z")


# For people


def text_of(answers: Sequence[Answer], zone: ZoneInfo, method: LevelMethod | None) -> str:
    """The whole answer with its last line end."""
    parts = [_part(answer, zone) for answer in answers]
    lines = _lines(answers, method or PASTED)
    return "\n\n\n".join([*parts, lines, _wrapped(NOTES)]) + "\n"


NOTES: Final = (
    "False alarms: samples above the level in 30 days, each judged alone, expected from the mean and scatter found, "
    "and as this history would have had them. rule-power tells what another rule does to them. Nothing was changed: "
    "these are proposals, to be weighed with what is known about the room by whoever sets its levels."
)


def _part(answer: Answer, zone: ZoneInfo) -> str:
    head = [
        f"{answer.name} ({answer.location}): particles of at least {size_text(answer.size_nm)}, state {answer.state}"
    ]
    cap = answer.caps.get(LevelKind.ACTION)
    if cap is None:
        head.append("No action level caps a proposal: none is in force for this size and state.")
    else:
        head.append(f"Capped by the action level in force, {number(cap.per_m3)} per m3: {cap.source}")
    if answer.history is not None:
        head += _history(answer.history, answer, zone)
    parts = ["\n".join(_wrapped(line) for line in head)]
    if answer.refusal is not None:
        parts.append(_wrapped(f"No proposal: {answer.refusal}."))
    else:
        parts.append(_table(answer.rows))
        parts.append(_wrapped(_cusum(answer)))
    return "\n\n".join(part.rstrip("\n") for part in parts)


def _history(history: CountHistory, answer: Answer, zone: ZoneInfo) -> list[str]:
    first, last = (
        datetime.fromtimestamp(int(at) // SECOND_US, zone).strftime("%Y-%m-%d %H:%M")
        for at in (history.ends_us[0], history.ends_us[-1])
    )
    air = f"{history.air_ul / UL_PER_M3:.3g} m3"
    lower, upper = history.interval_per_m3
    found = [
        f"History: {number(history.n)} samples from {first} to {last}, mostly of "
        f"{history.usual_volume_ul / UL_PER_L:.4g} L and one every {duration(history.spacing_us / SECOND_US)}",
        f"Mean: {number(history.per_m3)} per m3 ({number(history.count)} particles in {air}, 95 % {number(lower)} to "
        f"{number(upper)}); greatest sample {number(float(history.concentrations.max()))} per m3",
        f"Scatter: alpha = {history.alpha:.2g} (0 is Poisson); autocorrelation {history.lag_one:.2f}, so worth "
        f"{number(history.effective_n)} independent samples",
    ]
    if answer.cut:
        found.append("Only the newest samples were read; --limit reads more.")
    if history.left_out:
        reasons = ", ".join(f"{number(times)} ({reason})" for reason, times in sorted(history.left_out.items()))
        found.append(f"Left out: {reasons}")
    if answer.leave_out_above is None:
        found.append("Excursions are in it; --leave-out-above leaves out what you call one.")
    else:
        found.append(f"Left out on request: samples above {number(answer.leave_out_above)} per m3.")
    return found


def _cusum(answer: Answer) -> str:
    found, history = answer.cusum, answer.history
    if not isinstance(found, CusumProposal) or history is None:
        return f"For a trend, no Poisson CUSUM: {found}."
    spacing_s = history.spacing_us / SECOND_US
    return (
        f"For a trend, a Poisson CUSUM on a usual {number(history.per_m3)} per m3: limit {found.limit_particles} "
        f"particles, reference {number(found.reference_per_m3)} per m3. It finds a rise to {found.ratio:g} times the "
        f"usual in {duration(found.risen_run_length * spacing_s)} on average, and signals without one once in "
        f"{duration(found.usual_run_length * spacing_s)}."
    )


TITLES: Final = ("level", "method", "per m3", "from count", "expected", "in this history", "how")


def _table(rows: Sequence[Proposal | Refused]) -> str:
    cells = []
    notes = []
    for kind in LevelKind:
        for row in rows:
            if row.kind is not kind:
                continue
            if isinstance(row, Refused):
                cells.append([kind.value, row.method.value, "-", "-", "-", "-", "too little data"])
                notes.append(f"{row.method.value}, {kind.value}: needs {row.needs}.")
                continue
            mark = "" if row.fits else " *"
            cells.append(
                [
                    kind.value,
                    row.method.value,
                    number(row.asks_per_m3) + (mark or "  "),
                    number(row.count),
                    rate(row.expected_alarms),
                    rate(row.seen_alarms) if row.seen_alarms else "none",
                    row.how,
                ]
            )
    if any(isinstance(row, Proposal) and not row.fits for row in rows):
        notes.append(
            "*: not below the action level in force, so not to be set. The scatter of this air leaves no room for such "
            "a level in single samples; a rule over several samples or a rolling volume may find the same sooner."
        )
    found = "Proposals; false alarms in 30 days\n" + table(TITLES, cells, frozenset(TITLES[2:6]))
    return found + "".join(f"\n{_wrapped(note)}" for note in notes)


def _lines(answers: Sequence[Answer], method: LevelMethod) -> str:
    """What a person could paste: the alert level, and the action level as a comment, since it is another decision."""
    found = []
    for answer in answers:
        of_method = {row.kind: row for row in answer.rows if isinstance(row, Proposal) and row.method is method}
        alert, action = of_method.get(LevelKind.ALERT), of_method.get(LevelKind.ACTION)
        if alert is None or alert.level_per_m3 is None:
            continue
        lines = [
            "[[levels]]",
            f'location = "{answer.location}"',
            f"size_um = {answer.size_nm / 1000:g}",
            f'occupancy = "{answer.state}"',
            f"alert_per_m3 = {alert.level_per_m3}  # {alert.how}",
        ]
        if action is not None and action.level_per_m3 is not None and action.level_per_m3 > alert.level_per_m3:
            lines.append(f"# action_per_m3 = {action.level_per_m3}  # {action.how}")
        found.append("\n".join(lines))
    if not found:
        return f"Nothing to paste: {method.value} gives no alert level that could be set."
    return f"To set the levels of {method.value}, a person would put into the site file:\n\n" + "\n\n".join(found)


def _wrapped(line: str) -> str:
    return textwrap.fill(line, WIDTH, subsequent_indent="  ", break_long_words=False, break_on_hyphens=False)

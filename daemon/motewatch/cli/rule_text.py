"""`rule-power` for people: small tables of one shape, and what they mean in a sentence."""

from __future__ import annotations

import math
import re
import textwrap
from collections.abc import Callable, Sequence

from motewatch.cli.printing import table
from motewatch.cli.rule_figures import MONTH_DAYS, MULTIPLES, Cell, Figures, RuleFigures
from motewatch.limits.power import Method
from motewatch.measure.samples import UL_PER_L
from motewatch.site.basics import size_text
from motewatch.site.models import Confidence, KOfN, PerSample, RollingVolume, Rule
from motewatch.wire.records import HOUR_US, SECOND_US

WIDTH = 100
SENTENCES = 3
LASTING = "lasting"
_MINUTE_S, _HOUR_S, _DAY_S, _YEAR_S = 60, 3_600, 86_400, 365.25 * 86_400


def text_of(answers: Sequence[Figures]) -> str:
    """The whole answer, one part for each size, with its last line end."""
    notes = "\n".join(_wrapped(line) for line in _notes(answers))
    return "\n\n\n".join([*(_part(figures) for figures in answers), notes]) + "\n"


def _part(figures: Figures) -> str:
    asked = figures.question
    period_us = asked.period_us
    level = asked.level
    size = size_text(level.size_nm)
    litres = f"{asked.volume_ul / UL_PER_L:.4g} L"
    head = [
        f"{asked.name} ({asked.location}): particles of at least {size}, state {asked.state}",
        f"{level.grade.value.capitalize()} level {number(level.per_m3)} per m3: {level.source}",
        f"Programme {asked.programme}: a sample is {litres} of air, one every {duration(period_us / SECOND_US)}; "
        f"rule: {rule_name(figures.rules[0].rule)}",
        f"Usual concentration: {asked.usual.source}",
        f"Scatter: {_scatter(asked.alpha)}",
    ]
    usual = [f"{number(value)} /m3" for value in asked.usual.per_m3]
    dirty = [f"{number(multiple * level.per_m3)} /m3" for multiple in MULTIPLES]

    def hour(cell: Cell) -> str:
        return chance(cell.within(HOUR_US, period_us))

    def mean(cell: Cell) -> str:
        return duration(cell.mean_s(period_us))

    def monthly(cell: Cell) -> str:
        return LASTING if _lasts(cell) else rate(cell.begins_a_day * MONTH_DAYS)

    parts = [
        "\n".join(_wrapped(line) for line in head),
        "Smallest count that exceeds\n" + _counts(figures),
        f"False alarms in {MONTH_DAYS} days, in air of the usual concentration\n"
        + _table(figures, usual, lambda rule: rule.usual, monthly),
        "Mean time to the alarm when the air becomes this dirty (the level, 1.5, 2, 5 and 10 times it)\n"
        + _table(figures, dirty, lambda rule: rule.dirty, mean),
        "Chance of an alarm within the first hour\n" + _table(figures, dirty, lambda rule: rule.dirty, hour),
        "\n".join(_wrapped(line) for line in _sentences(figures)),
    ]
    return "\n\n".join(part.rstrip("\n") for part in parts)


def rule_name(rule: Rule) -> str:
    """A rule in a few words."""
    if isinstance(rule, PerSample):
        return "each sample"
    if isinstance(rule, KOfN):
        return f"{rule.k} of {rule.n}"
    if isinstance(rule, Confidence):
        return f"confidence {rule.confidence_pct:g} %"
    return f"rolling {rule.volume_l / 1000:g} m3" if rule.volume_l >= 100 else f"rolling {rule.volume_l:g} L"


def number(value: float) -> str:
    """`3 520`, `43.5`, `0.97`."""
    text = f"{value:,.0f}" if abs(value) >= 1000 else f"{value:.3g}"
    return text.replace(",", " ")


def rate(value: float) -> str:
    """How often something happens, when fractions matter: `1 170`, `4.3`, `0.02`."""
    if value >= 100:
        return number(round(value))
    if value >= 10:
        return f"{value:.0f}"
    if value >= 0.001:
        return f"{value:.2g}"
    return "below 0.001"


def chance(value: float | None) -> str:
    """A probability as a percentage that never claims certainty it does not have."""
    if value is None:
        return "?"
    percent = 100 * value
    if percent >= 99.95:
        return "over 99.9 %"
    if percent >= 10:
        return f"{percent:.1f} %" if percent > 99 else f"{percent:.0f} %"
    if percent >= 0.001:
        return f"{percent:.2g} %"
    return "below 0.001 %" if value > 0 else "0 %"


def duration(seconds: float | None) -> str:
    """A time in the largest units that say it: `5.3 s`, `1 min 47 s`, `2 h 05 min`, `3.2 days`, `14 years`,
    `over 1 000 years`."""
    if seconds is None:
        return "?"
    if seconds == math.inf:
        return "never"
    if seconds < _MINUTE_S - 0.05:
        return f"{seconds:.2g} s" if seconds < 10 else f"{seconds:.0f} s"
    whole = round(seconds)
    if whole < _HOUR_S - _MINUTE_S / 2:
        minutes, rest = divmod(whole, _MINUTE_S)
        if minutes >= 10:
            return f"{round(whole / _MINUTE_S)} min"
        return f"{minutes} min {rest:02d} s" if rest else f"{minutes} min"
    if seconds < 2 * _DAY_S:
        hours, rest = divmod(round(seconds / _MINUTE_S), 60)
        return f"{hours} h {rest:02d} min" if rest else f"{hours} h"
    if seconds < 2 * _YEAR_S:
        return f"{seconds / _DAY_S:.2g} days" if seconds < 100 * _DAY_S else f"{seconds / _DAY_S:.0f} days"
    years = seconds / _YEAR_S
    return f"{years:.2g} years" if years < 100 else f"{years:.0f} years" if years < 1000 else "over 1 000 years"


def frequency(a_day: float) -> str:
    """How often, in words: `40 times a day`, `once a day`, `once in 12 days`, `once in more than 1 000 years`."""
    if a_day >= 1.5:
        return "twice a day" if a_day < 2.5 else f"{rate(a_day) if a_day >= 10 else f'{a_day:.0f}'} times a day"
    if a_day > 1 / 1.5:
        return "once a day"
    days = 1 / a_day if a_day > 0 else math.inf
    if days < 100:
        return f"once in {days:.0f} days"
    if days * _DAY_S >= 1000 * _YEAR_S:
        return "once in more than 1 000 years"
    return f"once in {duration(days * _DAY_S)}"


def _scatter(alpha: float) -> str:
    if alpha == 0:
        return "Poisson, the least there can be; real air scatters more (--dispersion)"
    return f"negative binomial, alpha = {alpha:g} (variance = mean + alpha x mean^2)"


def _label(figures: Figures, rule: RuleFigures) -> str:
    return rule_name(rule.rule) + (" (programme)" if rule is figures.rules[0] else "")


def _counts(figures: Figures) -> str:
    titles = ("rule", "count", "in", "per m3")
    rows = []
    for rule in figures.rules:
        samples = rule.window if not isinstance(rule.rule, KOfN) else 1
        air_ul = samples * figures.question.volume_ul
        held = "a sample" if samples == 1 else f"{samples} samples"
        where = (
            f"{held} ({air_ul / UL_PER_L:,.4g} L)" if air_ul < 1000 * UL_PER_L else f"{held} ({air_ul / 1e9:.4g} m3)"
        )
        rows.append(
            (_label(figures, rule), number(rule.smallest_count), where, number(rule.smallest_count * 1e9 / air_ul))
        )
    return table(titles, rows, frozenset({"count", "per m3"}))


def _table(
    figures: Figures,
    columns: list[str],
    cells: Callable[[RuleFigures], tuple[Cell, ...]],
    show: Callable[[Cell], str],
) -> str:
    rows = [(_label(figures, rule), *(show(cell) for cell in cells(rule))) for rule in figures.rules]
    return table(("rule", *columns), rows, frozenset(columns))


def _sentences(figures: Figures) -> list[str]:
    asked = figures.question
    own, *others = figures.rules
    lines = []
    for place, per_m3 in enumerate(asked.usual.per_m3[:SENTENCES]):
        if per_m3 == 0:
            lines.append("Air without particles never alarms.")
            continue
        if per_m3 > asked.level.per_m3:
            lines.append(f"{number(per_m3)} per m3 is above the level: alarms there are no false ones.")
            continue
        would: dict[str, list[str]] = {}
        for rule in others:
            would.setdefault(_often(rule.usual[place]), []).append(rule_name(rule.rule))
        told = "; ".join(f"{_listed(names)} ({often})" for often, names in would.items())
        here = own.usual[place]
        does = "is in alarm most of the time" if _lasts(here) else f"alarms {_often(here)}"
        lines.append(f"At {number(per_m3)} per m3 this rule {does} without cause. Others: {told}.")
    at_level = own.dirty[0]
    if at_level.first is not None:
        window = "the whole rolling volume" if isinstance(own.rule, RollingVolume) else "a sample"
        lines.append(
            f"In air exactly at the level {window} exceeds with a chance of {chance(at_level.one_exceeds)}, "
            f"and the alarm comes after {duration(at_level.mean_s(asked.period_us))} on average."
        )
    line = f"One sample without a count shows only that there are no more than {number(figures.excluded_per_m3)} per m3"
    if figures.volume_to_show_ul is not None:
        samples = math.ceil(figures.volume_to_show_ul / asked.volume_ul)
        line += (
            f"; to show {number(asked.level.per_m3)} with no count takes {figures.volume_to_show_ul / UL_PER_L:.4g} L, "
            f"{duration(samples * asked.period_us / SECOND_US)} of samples"
        )
    lines.append(line + " (95 %, one-sided).")
    return lines


def _lasts(cell: Cell) -> bool:
    return cell.in_alarm > 0.5


def _often(cell: Cell) -> str:
    return "in alarm most of the time" if _lasts(cell) else frequency(cell.begins_a_day)


def _listed(names: list[str]) -> str:
    return names[0] if len(names) == 1 else f"{', '.join(names[:-1])} and {names[-1]}"


def _notes(answers: Sequence[Figures]) -> list[str]:
    cells = [cell for figures in answers for rule in figures.rules for cell in (*rule.usual, *rule.dirty)]
    notes = [
        "Alarms are counted as the service counts them: one begins when the rule says 'exceeds' and lasts until it "
        "says 'within'. Times begin with clean air and end with the sample that alarms. Samples are taken as "
        "independent; in air that changes slowly, rules that need several samples alarm more often than this."
    ]
    errors = [
        cell.first.mean_error / cell.first.mean
        for cell in cells
        if cell.first is not None and cell.first.method is Method.SIMULATED
    ]
    if errors:
        notes.append(
            f"Times and chances of a rolling volume are simulated (standard error of a mean up to "
            f"{max(0.1, 100 * max(errors)):.1f} %); its false alarms, and all other figures, are exact."
        )
    if any(_lasts(cell) for figures in answers for rule in figures.rules for cell in rule.usual):
        notes.append(f"{LASTING}: in alarm more than half of the time.")
    if any(cell.first is None for cell in cells):
        notes.append("?: the rule's exact chain is too large to be built.")
    return notes


def _wrapped(line: str) -> str:
    # `1 000` and `2 of 3` stay on one line.
    kept = re.sub(r"(?<=\d) (?=\d{3}\b)|(?<=\d) (?=of \d)|(?<=\d of) (?=\d)", "\xa0", line)
    filled = textwrap.fill(kept, WIDTH, subsequent_indent="  ", break_on_hyphens=False)
    return filled.replace("\xa0", " ")

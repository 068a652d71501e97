"""How a study says its figures, in the terminal and in the report alike. Text only."""

from __future__ import annotations

from motewatch.links.figures import concentration, grouped
from motewatch_simulator.study.findings import Answers, IncidentAnswer, RuleAnswer, SizeAnswer, StateAnswer
from motewatch_simulator.study.positions import Gap

CAUTIONS = (
    "A study is a calculation from assumptions about a room that is not there. It qualifies nothing.",
    "A measured classification, recovery test and monitoring data take precedence over every figure here, and so do "
    "local codes, the standards themselves and the site's own risk assessment.",
    "Every figure about air and people rests on source strengths of which only abstracts were readable, and on "
    "defaults that are from memory or our own choice; the documentation marks each. Replace them by measured ones.",
    "The room is one mixed volume with an effectiveness; flow patterns, thermals and dead corners are not calculated.",
    "How often incidents happen is not known; alarms without an incident are counted in months that have none.",
)


INPUT_WORDS = {
    "persons": "spread between people",
    "activity": "activity",
    "garments": "garments",
    "machines": "machines",
    "outdoors": "outdoor and surrounding air",
    "filters": "filters of the plant",
    "supply": "air supply",
    "effectiveness": "contaminant removal effectiveness",
    "transfer": "room air at the zone's edge",
    "settling": "settling and sticking",
}


def percent(share: float) -> str:
    """A probability as percent: never 100 or 0 by rounding alone."""
    value = 100.0 * share
    if 0 < value < 0.1:
        return "below 0.1 %"
    if 99.9 < value < 100:
        return "above 99.9 %"
    return f"{value:.0f} %" if value in (0.0, 100.0) or 10 <= value <= 90 else f"{value:.1f} %"


def interval(low: float, high: float) -> str:
    """`95.1 to 97.0 %`."""
    return f"{100 * low:.1f} to {100 * high:.1f} %"


def changes(per_h: float | None) -> str:
    """Air changes per hour; none where no supply does it."""
    if per_h is None:
        return "no supply does it"
    if per_h < 0.1:
        return "none needed"
    return grouped(per_h, 0 if per_h >= 100 else 1)


def minutes(value: float | None) -> str:
    """Minutes; `never` where the limit is not reached."""
    if value is None:
        return "never"
    return "at once" if value == 0 else f"{value:.1f} min"


def seconds(value: float | None) -> str:
    """A delay."""
    if value is None:
        return "-"
    return f"{value:.0f} s" if value < 120 else f"{value / 60:.1f} min"


def state_words(state: StateAnswer) -> str:
    """`room, in operation`."""
    return f"{state.part}, {state.state.replace('-', ' ')}"


def per_month(value: float) -> str:
    """Alarms a month."""
    return "0" if value == 0 else (f"{value:.2f}" if value < 1 else grouped(value, 0 if value >= 10 else 1))


def held_headline(answers: Answers) -> tuple[str, str, list[str]]:
    """Kind of verdict (good, bad, open), its words and sentences."""
    wanted = answers.study.study.wanted_pct / 100.0
    worst = min(answers.states, key=lambda state: state.held)
    needed = answers.needed_per_h
    design = answers.study.room.air_changes_per_h
    why = [
        f"{state_words(state).capitalize()}: {state.holds} held in {percent(state.held)} of the drawn rooms "
        f"({interval(state.held_from, state.held_to)}); {state.binding_um:g} um decides."
        for state in answers.states
    ]
    if needed is None:
        why.append("No supply of air holds everything with the wanted probability: sources or limits have to change.")
    else:
        why.append(
            f"Everything is held with {100 * wanted:g} % from {changes(needed)} air changes per hour on; "
            f"the design has {design:g}."
            if needed >= 0.1
            else f"The design's {design:g} air changes per hour are more than the sources need."
        )
    if worst.held_from >= wanted:
        return "good", "LIKELY HELD", why
    if worst.held_to < wanted:
        return "bad", "NOT LIKELY ENOUGH", why
    return "open", "ON THE EDGE", why


def size_row(size: SizeAnswer) -> tuple[str, ...]:
    """One limit as a row of figures."""
    limit = size.cell.limit_per_m3
    return (
        f"{size.cell.size_um:g}",
        grouped(limit),
        per_m3(size.nominal),
        between(size.low, size.high),
        percent(size.held),
        percent(size.held_by_formula),
        changes(size.needed_per_h),
        "-" if size.simple_per_h is None else changes(size.simple_per_h),
    )


SIZE_TITLES = (
    "size, um",
    "limit per m3",
    "nominal per m3",
    "5 to 95 % of rooms",
    "held",
    "if lognormal",
    "air changes needed",
    "by Q = G/(eps C)",
)


def found_words(one: IncidentAnswer) -> str:
    """`98 % (95.1 to 99.2 %)`."""
    return f"{percent(one.chance)} ({interval(one.chance_from, one.chance_to)})"


def rule_words(rule: RuleAnswer) -> str:
    """What a rule is, on one line."""
    period = f"{rule.rule.period_s} s" if rule.rule.period_s < 120 else f"{rule.rule.period_s / 60:g} min"
    limit = "the class limit" if rule.rule.share == 1 else f"{rule.rule.share:g} of the class limit"
    sizes = "" if not rule.rule.sizes_um else f", {', '.join(f'{size:g}' for size in rule.rule.sizes_um)} um only"
    kind = rule.rule.rule
    words: str = kind.kind
    if kind.kind == "k-of-n":
        words = f"{kind.k} of {kind.n}"
    elif kind.kind == "rolling-volume":
        words = f"rolling {kind.volume_l:g} L"
    elif kind.kind == "confidence":
        words = f"with {kind.confidence_pct:g} % confidence"
    return f"{period} samples, {words}, against {limit}{sizes}"


def best_rule(answers: Answers) -> tuple[RuleAnswer, list[str]]:
    """The rule to begin with, and why: what finds most beyond chance among those whose false alarms are bearable."""
    head = answers.study.study
    bearable = [rule for rule in answers.rules if rule.per_month <= head.tolerated_per_month]
    best = max(bearable or answers.rules, key=lambda rule: (rule.beyond, -rule.per_month))
    why = [
        f"Rule to begin with: {best.rule.id} ({rule_words(best)}), with {per_month(best.per_month)} alarms a month "
        f"without an incident; it finds {percent(best.weighted)} of what may happen, weighted."
    ]
    if not bearable:
        why.append(f"No rule stays within {per_month(head.tolerated_per_month)} alarms a month without an incident.")
    missed = [one.incident for one in best.incidents if one.chance < head.wanted_pct / 100.0]
    if missed:
        why.append(f"It finds with less than {head.wanted_pct:g} %: {', '.join(missed)}.")
    return best, why


def per_m3(value: float) -> str:
    """A concentration; what is there but tiny is not called nothing."""
    return "below 0.1" if 0 < value < 0.05 else concentration(value)


def between(low: float, high: float) -> str:
    """A span of concentrations."""
    return "below 0.1" if high < 0.05 else f"{per_m3(low)} to {per_m3(high)}"


def hundredth(value: float | None) -> str:
    """Of a zone there is none."""
    return "-" if value is None else minutes(value)


def gap_words(gap: Gap, name: str) -> str:
    """What is not covered, and what could help."""
    found = f"{name}: found with {percent(gap.chance)}"
    if gap.by_chance > 0.05:
        found += f", of which {percent(gap.by_chance)} would be by chance"
    if gap.few:
        return (
            f"{found}. Where it should be seen, at most {gap.added:.2g} particles of it are expected: only another "
            "place can help."
        )
    return (
        f"{found}. It adds {grouped(gap.added)} expected particles at {gap.best_place}, where it is seen best: a "
        "sharper rule or another place may help."
    )

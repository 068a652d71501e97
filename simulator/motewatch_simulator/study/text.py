"""The answers of a study in the terminal: short tables, plain text, and the cautions."""

from __future__ import annotations

from collections.abc import Iterator, Sequence

from motewatch_simulator.study import words
from motewatch_simulator.study.findings import Answers


def summary(answers: Answers) -> str:
    """Everything, as text."""
    return "\n".join(_lines(answers)) + "\n"


def _lines(answers: Answers) -> Iterator[str]:
    _, word, why = words.held_headline(answers)
    yield f"{answers.study.study.name}: {word}"
    yield from (f"  {line}" for line in why)
    for state in answers.states:
        yield ""
        yield f"{words.state_words(state)}: {state.holds}"
        yield from _table(words.SIZE_TITLES, [words.size_row(size) for size in state.sizes])
    yield ""
    yield "Recovery to the limits at rest, after people have left"
    yield from _table(
        ("part", "size, um", "nominal", "100:1"),
        [
            (one.part, f"{one.size_um:g}", words.minutes(one.nominal_min), words.hundredth(one.hundredth_min))
            for one in answers.recoveries
        ],
    )
    yield ""
    placing = answers.placing
    yield f"Counters: {len(placing.chosen)}, at {', '.join(placing.chosen)} (chosen by the rule {placing.rule})"
    yield from _table(
        ("counters", "best places", "found beyond chance, weighted"),
        [(f"{len(c.places)}", ", ".join(c.places), words.percent(c.beyond)) for c in placing.choices],
    )
    names = {incident.id: incident.name for incident in answers.study.incidents}
    yield from (f"  gap: {words.gap_words(gap, names[gap.incident])}" for gap in placing.gaps)
    for rule in answers.rules:
        yield ""
        yield f"{rule.rule.id}: {words.rule_words(rule)}"
        yield f"  without an incident {words.per_month(rule.per_month)} alarms a month ({rule.months} months)"
        yield from _table(
            ("incident", "found", "by chance", "median delay", "90 % by", "alarm stood before"),
            [
                (
                    one.incident,
                    words.found_words(one),
                    words.percent(one.by_chance),
                    words.seconds(one.median_delay_s),
                    words.seconds(one.late_delay_s),
                    f"{one.before} of {one.tried}",
                )
                for one in rule.incidents
            ],
        )
    yield ""
    yield from words.best_rule(answers)[1]
    for tube in answers.tubes:
        shares = ", ".join(f"{size:g} um {words.percent(share)}" for size, share in tube.arrives)
        yield f"Tube at {tube.place}: arrives {shares}; {tube.transit_s:.1f} s under way"
    for state in answers.states:
        inputs = ", ".join(f"{one.name} {one.rank:+.2f}" for one in state.influences[:4] if one.rank is not None)
        yield f"What decides, {words.state_words(state)}, {state.binding_um:g} um: {inputs}"
    yield ""
    yield from words.CAUTIONS


def _table(titles: Sequence[str], rows: Sequence[Sequence[str]]) -> Iterator[str]:
    widths = [max(len(row[i]) for row in (titles, *rows)) for i in range(len(titles))]
    for row in (titles, *rows):
        yield "  " + "  ".join(cell.ljust(width) for cell, width in zip(row, widths, strict=True)).rstrip()

"""The sections of a study's report about monitoring: places, rules, tubes. Text in, text out."""

from __future__ import annotations

from html import escape

from motewatch.links import report_page as page
from motewatch_simulator.study import words
from motewatch_simulator.study.findings import Answers
from motewatch_simulator.study.plots import plan_plot, rules_plot
from motewatch_simulator.study.positions import Sight


def together(*parts: str) -> str:
    """Parts that stay on one sheet."""
    return '<div style="break-inside: avoid; margin: 3mm 0">' + "".join(parts) + "</div>"


def _unbroken(name: str) -> str:
    """An id that no line tears apart."""
    return name.replace("-", "\u2011")


def places(answers: Answers) -> str:
    """Where counters should sit."""
    placing, study = answers.placing, answers.study
    names = {incident.id: incident for incident in study.incidents}
    ids = [position.id for position in study.positions]
    rows = [
        (incident.name, f"{incident.weight:g}", *(_sight(placing.sight(incident.id, p)) for p in ids))
        for incident in study.incidents
    ]
    rule = next(one for one in study.rules if one.id == placing.rule)
    parts = [
        page.figure(plan_plot(answers), "Floor plan."),
        f"<p>How often each place alone tells in time, by the rule {rule.id}; in brackets by chance:</p>",
        page.table(("incident", "weight", *ids), rows, range(1, len(ids) + 2)),
        page.table(
            ("counters", "best places", "found beyond chance, weighted"),
            [(f"{len(c.places)}", ", ".join(c.places), words.percent(c.beyond)) for c in placing.choices],
            (0, 2),
            ["limit" if len(c.places) == len(placing.chosen) else "" for c in placing.choices],
        ),
    ]
    gaps = [page.typeset(f"Gap: {words.gap_words(gap, names[gap.incident].name)}") for gap in placing.gaps]
    parts.append(page.bullets(gaps or ["No gaps: the chosen places find every stated incident."]))
    return "\n".join(parts)


def _sight(sight: Sight) -> str:
    by_chance = f" ({words.percent(sight.by_chance)})" if sight.by_chance > 0 else ""
    return words.percent(sight.chance) + by_chance


def rules(answers: Answers) -> str:
    """Sample period and rule."""
    study = answers.study
    names = {incident.id: incident.name for incident in study.incidents}
    said = (
        "By the daemon's own engine on simulated counts at the chosen places. Alarms without an incident are what "
        "ordinary work sets off; an incident counts as found when any alarm starts in time; by chance says how often "
        "ordinary work would start one in as much time."
    )
    drawing = page.figure(rules_plot(answers.rules), "Incidents found, weighted, against alarms without an incident.")
    parts = [
        together(f"<p>{escape(said)}</p>", drawing),
        page.table(
            ("rule", "what it is", "alarms a month without an incident", "95 % at most", "incidents found"),
            [
                (
                    _unbroken(rule.rule.id),
                    page.typeset(words.rule_words(rule)),
                    words.per_month(rule.per_month),
                    words.per_month(rule.per_month_to),
                    words.percent(rule.weighted),
                )
                for rule in answers.rules
            ],
            (2, 3, 4),
        ),
    ]
    for incident in study.incidents:
        rows = []
        for rule in answers.rules:
            one = next(found for found in rule.incidents if found.incident == incident.id)
            parts_s = ", ".join(f"{name} {words.seconds(value)}" for name, value in one.parts_s if value > 0)
            rows.append(
                (
                    _unbroken(rule.rule.id),
                    words.found_words(one),
                    words.percent(one.by_chance),
                    words.seconds(one.median_delay_s),
                    words.seconds(one.late_delay_s),
                    parts_s,
                )
            )
        titles = ("rule", "found (95 % interval)", "by chance", "median delay", "90 % by", "delay by arithmetic")
        parts.append(
            together(
                f"<p><b>{escape(names[incident.id])}</b>, to be found within {incident.within_min:g} min</p>",
                page.table(titles, rows, (2, 3, 4), dense=True),
            )
        )
    parts.append(
        page.bullets(
            [
                "Delay by arithmetic: half a sample period, the way through the tube, and the time in which the room "
                "comes to 63 % of its new level; a strong incident is above the limit long before, a weak one later.",
            ]
        )
    )
    return "\n".join(parts)


def tubes(answers: Answers) -> str:
    """What tubes let through."""
    sizes = answers.study.counter.sizes_um
    rows = [
        (
            tube.place,
            *(words.percent(share) for _, share in tube.arrives),
            f"{tube.transit_s:.1f} s",
            "; ".join(f"{cure}: {words.percent(share)}" for cure, share in tube.cures),
        )
        for tube in answers.tubes
    ]
    return page.table(
        ("place", *(f"{size:g} um arrives" for size in sizes), "under way", f"{sizes[-1]:g} um with"),
        rows,
        range(1, len(sizes) + 2),
    ) + page.bullets(
        [
            "Above 1 µm the loss of a tube is an estimate with an uncertainty of its own: never correct counts by it, "
            "put the counter where the air is."
        ]
    )

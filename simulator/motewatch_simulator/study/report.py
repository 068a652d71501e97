"""The printed report of a study, as one self-contained HTML text for A4. Text in, text out.

The page is the daemon's report page; what is said is from `words`, what is drawn from `plots`.
"""

from __future__ import annotations

from dataclasses import dataclass
from html import escape

from motewatch.links import report_page as page
from motewatch.links.figures import grouped
from motewatch_simulator.study import model as m
from motewatch_simulator.study import words
from motewatch_simulator.study.class_held import cells, settled
from motewatch_simulator.study.findings import Answers, StateAnswer
from motewatch_simulator.study.plots import class_plot, influence_plot, supply_plot
from motewatch_simulator.study.report_monitoring import places, rules, together, tubes
from motewatch_simulator.study.room import StudyRoom

_NOTE = (
    "This study supports the judgement of a qualified engineer and never replaces it. It is no qualification: a "
    "measured classification and local codes take precedence over every figure."
)


@dataclass(frozen=True, slots=True)
class Given:
    """What the report was made from."""

    version: str
    made: str
    source: str


def study_report(answers: Answers, given: Given) -> str:
    """The document."""
    study = answers.study
    kind, word, why = words.held_headline(answers)
    sub = f"{study.study.name} · {given.source} · {given.made}"
    chosen = len(answers.placing.chosen)
    recommended = [
        f"{chosen} counter{'' if chosen == 1 else 's'}: {', '.join(answers.placing.chosen)}.",
        *words.best_rule(answers)[1],
        f"A classification test needs {answers.sampling.locations} locations and single samples of at least "
        f"{answers.sampling.volume_l:.3g} L, {answers.sampling.minutes:.3g} min with this counter.",
    ]
    body = [
        page.heading("Study of a room before it is built", sub),
        page.verdict(kind, word, [page.typeset(line) for line in why]),
        page.verdict("plain", "Monitoring", [page.typeset(line) for line in recommended]),
        page.section("Read this first", page.bullets(words.CAUTIONS)),
        page.section("The room", _room(answers)),
        page.section(
            "Class held",
            page.figure(
                class_plot(answers.states),
                "Settled concentrations of the drawn rooms against their limits: 5 to 95 %, dot the median. "
                "* the size that decides.",
            ),
            *(_state(state) for state in answers.states),
        ),
        page.section("Air needed", _air(answers)),
        page.section("Recovery", _recovery(answers)),
        page.section("Where counters should sit", places(answers)),
        page.section("Sample period and rule", rules(answers)),
        *([page.section("Tubes", tubes(answers))] if answers.tubes else []),
        page.section("What the answers hang on", *(_influence(state) for state in _deciding(answers))),
        page.section("How it was worked out", _method(answers, given)),
        page.closing(given.version, given.made, ("Worked out by", "Reviewed by"), _NOTE),
    ]
    return page.page(f"Study: {study.study.name}", f"Study: {study.study.name}", body)


def _room(answers: Answers) -> str:
    study = answers.study
    room = study.room
    volume = room.area_m2 * room.height_m
    people = ", ".join(
        f"{group.count} in {group.garment} garments"
        + ("" if group.activity is None else f" at {group.activity:g} of vigorous exercise")
        for group in study.people
    )
    machines = ", ".join(f"{grouped(one.per_min_at_0_5_um)} per min at 0.5 µm" for one in study.machines)
    rows: list[tuple[str, str | None]] = [
        ("Room", f"{room.area_m2:g} m² x {room.height_m:g} m, {volume:.0f} m³"),
        ("Supply", f"{room.air_changes_per_h:g} air changes per hour, {grouped(volume * room.air_changes_per_h)} m³/h"),
        ("Fresh air and filters", _filters(answers)),
        ("Effectiveness at the working height", f"{room.effectiveness:g}"),
        ("People in operation", people or "none"),
        ("Machines", machines or "none"),
        ("Counter", _counter(study.counter)),
        ("In operation", ", ".join(room.operational) or "never"),
    ]
    if study.zone is not None:
        zone = study.zone
        rows.insert(
            4,
            (
                "Unidirectional zone",
                f"{zone.velocity_m_s:g} m/s {zone.flow}, transit {zone.height_m / zone.velocity_m_s:.1f} s, "
                f"{zone.transfer:g} of the room's air at its edge",
            ),
        )
    return page.facts(rows)


def _counter(counter: m.Counter) -> str:
    text = f"{counter.flow_l_min:g} L/min, {', '.join(f'{s:g}' for s in counter.sizes_um)} µm"
    return text + (", ideal" if counter.response is None else ", with the optics given")


def _filters(answers: Answers) -> str:
    room = answers.study.room
    return (
        f"{100 * room.fresh_air:g} % fresh; pre-filter {100 * room.pre_filter_efficiency:g} %, fine filter "
        f"{100 * room.fine_filter_efficiency:g} %, terminal filter lets "
        f"{100 * room.terminal_penetration:g} % of its worst size pass"
    )


def _state(state: StateAnswer) -> str:
    title = f"{words.state_words(state).capitalize()}: {state.holds}"
    said = (
        f"held in {words.percent(state.held)} of the drawn rooms ({words.interval(state.held_from, state.held_to)}); "
        f"{state.binding_um:g} um decides"
    )
    classes = [
        "limit" if size.cell.size_um == state.binding_um and len(state.sizes) > 1 else "" for size in state.sizes
    ]
    table = page.table(words.SIZE_TITLES, [words.size_row(size) for size in state.sizes], range(8), classes)
    return together(f"<p><b>{escape(title)}</b>, {escape(page.typeset(said))}.</p>", table)


def _air(answers: Answers) -> str:
    study = answers.study
    listed = cells(study)

    def curve(air_changes: float) -> list[tuple[str, float]]:
        room = study.room.model_copy(update={"air_changes_per_h": min(1000.0, air_changes)})
        made = StudyRoom(study.model_copy(update={"room": room}))
        return [
            (
                f"{cell.part}, {cell.state.replace('-', ' ')}, {cell.size_um:g} µm",
                settled(made, cell) / cell.limit_per_m3,
            )
            for cell in listed
            if cell.limit_per_m3 > 0
        ]

    said = (
        f"The tables above hold the air changes at which {study.study.wanted_pct:g} % of the drawn rooms are within "
        f"each limit, and beside them the simple sum Q = G / (eps C) for the limit divided by {study.study.safety:g}. "
    )
    needed = answers.needed_per_h
    said += (
        "No supply meets all of them."
        if needed is None
        else f"All of them together need {words.changes(needed)} air changes per hour."
        if needed >= 0.1
        else "None of them needs more than a trace of air."
    )
    return f"<p>{escape(page.typeset(said))}</p>" + page.figure(
        supply_plot(answers, curve),
        "Nominal settled concentrations over the air changes. What is never above a thousandth of its limit is left "
        "out.",
    )


def _recovery(answers: Answers) -> str:
    rows = [
        (
            one.part,
            f"{one.size_um:g}",
            grouped(one.limit_per_m3),
            words.minutes(one.nominal_min),
            words.hundredth(one.hundredth_min),
        )
        for one in answers.recoveries
    ]
    return page.table(
        ("part", "size, um", "limit at rest per m3", "from operation to the limit", "100:1 of the room"),
        rows,
        (1, 2, 3, 4),
    ) + page.bullets(
        [
            "EU GMP Annex 1 gives 15 to 20 min after work as a guidance value.",
            "The recovery test of ISO 14644-3 measures the 100:1 time; it is worked out here without a background.",
            "A unidirectional zone clears within one to three transits; its limits wait for the room around it only.",
        ]
    )


def _deciding(answers: Answers) -> list[StateAnswer]:
    """The states worth a drawing: in operation, and at rest only where nothing else is."""
    working = [state for state in answers.states if state.state == "in-operation"]
    return working or list(answers.states)


def _influence(state: StateAnswer) -> str:
    rows = [
        (
            words.INPUT_WORDS[one.name],
            f"{one.elasticity:+.2f}",
            "not drawn" if one.rank is None else f"{one.rank:+.2f}",
        )
        for one in state.influences
    ]
    title = f"{words.state_words(state).capitalize()}, {state.binding_um:g} um"
    return together(
        f"<p><b>{escape(page.typeset(title))}</b></p>",
        page.figure(
            influence_plot(state), "Rank correlation over the drawn rooms: what the spread of the answer comes from."
        ),
        page.table(("input", "percent more for 1 % more of it", "rank correlation"), rows, (1, 2), dense=True),
    )


def _method(answers: Answers, given: Given) -> str:
    study = answers.study.study
    u = answers.study.uncertain
    return page.facts(
        [
            ("Source", given.source),
            ("Seed", f"{study.seed}"),
            ("Drawn rooms", grouped(study.draws)),
            ("Room-months for each rule", f"{study.months} of 30 days"),
            ("Runs for each incident and rule", f"{study.runs}"),
            (
                "Standard deviations of logarithms",
                f"persons {u.persons:g}, activity {u.activity:g}, garments {u.garments:g}, machines {u.machines:g}, "
                f"outdoors {u.outdoors:g}, filters {u.filters:g}, supply {u.supply:g}, effectiveness "
                f"{u.effectiveness:g}, zone {u.transfer:g}",
            ),
        ]
    ) + page.bullets(
        [
            "Class held: the settled concentration of each drawn room, by the exact mass balance, against each limit.",
            "Air needed: for each drawn room the supply at which it meets the limit.",
            "Rules: one-minute and longer samples of Poisson counts in air that follows people, doors and outdoor air, "
            "through the engine that would run the alarms.",
            "The same file and seed give the same figures on any number of workers.",
        ]
    )

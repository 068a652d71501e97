"""The incidents that a scenario plans, as truths: what happens to rooms, zones and sensors, and when.

Only what the file says; what a stream turns out to hold beyond that (a concentration above a level) is not known here.
"""

from __future__ import annotations

from collections.abc import Iterator
from typing import Final

from motewatch_simulator.scenario import Happening, Incident, Scenario
from motewatch_simulator.timeline import micros_of
from motewatch_simulator.truth import Truth, TruthKind

_PLACES: Final[tuple[str, ...]] = ("sensor", "room", "location")
_TIMES: Final = frozenset(Happening.model_fields)


def planned(scenario: Scenario, start_us: int, end_us: int) -> list[Truth]:
    """Every incident that begins before the end of the stream, in order; one that outlasts it has no end."""
    return sorted(
        (_truth(incident, at_us, end_us) for incident, at_us in _beginnings(scenario, start_us, end_us)),
        key=lambda truth: (truth.start_us, truth.what, sorted(truth.subject.items())),
    )


def _beginnings(scenario: Scenario, start_us: int, end_us: int) -> Iterator[tuple[Incident, int]]:
    repeat_s = scenario.scenario.repeat_s
    for incident in scenario.incidents:
        at_us = start_us + micros_of(incident.at_s)
        while at_us < end_us:
            yield incident, at_us
            if repeat_s is None:
                break
            at_us += micros_of(repeat_s)


def _truth(incident: Incident, at_us: int, end_us: int) -> Truth:
    fields = incident.model_dump(mode="json")
    subject: dict[str, str] = {key: str(fields[key]) for key in _PLACES if key in fields}
    over_us = at_us + micros_of(incident.duration_s)
    detail = {key: value for key, value in fields.items() if key not in {*_TIMES, *_PLACES, "kind"}}
    kind = TruthKind.MISBEHAVIOUR if "sensor" in subject else TruthKind.INCIDENT
    return Truth(kind, incident.kind, subject, at_us, over_us if over_us <= end_us else None, detail)

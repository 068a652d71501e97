"""How much it costs to ask who is on call: by rotation and by calendar, warm, cold, and looking for the next change.

    .venv/bin/python tests/benchmarks/rotas.py

Prints a table; asserts nothing. "Cold" is an instant in four weeks that were not asked about before, "years later"
the same with the calendar begun twenty years earlier.
"""

from __future__ import annotations

import sys
from collections.abc import Callable
from datetime import UTC, date, datetime, timedelta
from pathlib import Path
from time import perf_counter
from typing import Any

sys.path.insert(0, str(Path(__file__).parents[1]))

from motewatch.callout.roster import BLOCK_US, DAY_US, Roster
from motewatch.site.instants import instant_us
from motewatch.site.models import Site
from support.facility import site_dict

MEMBERS = ("ada", "ben", "cy")
START = date(2026, 1, 5)
T0 = instant_us(datetime(2026, 6, 1, 12, tzinfo=UTC))


def calendar(first: date, rule: str, hours: int, events: int = 3) -> str:
    body = ""
    for number in range(events):
        begin = datetime.combine(first, datetime.min.time()) + timedelta(hours=8 + hours * number)
        body += (
            f"BEGIN:VEVENT\r\nUID:{number}\r\nSUMMARY:{MEMBERS[number % 3]}\r\nRRULE:{rule}\r\n"
            f"DTSTART;TZID=Europe/Berlin:{begin:%Y%m%dT%H%M%S}\r\n"
            f"DTEND;TZID=Europe/Berlin:{begin + timedelta(hours=hours):%Y%m%dT%H%M%S}\r\nEND:VEVENT\r\n"
        )
    return f"BEGIN:VCALENDAR\r\nVERSION:2.0\r\nPRODID:-//motewatch//benchmark//EN\r\n{body}END:VCALENDAR\r\n"


ROTAS: dict[str, dict[str, Any]] = {
    "rotation, weekly": {"rotation": {"members": MEMBERS, "first": START}},
    "rotation, daily": {"rotation": {"members": MEMBERS, "first": START, "shift_days": 1}},
    "calendar, 3 weekly events": {"calendar": calendar(START, "FREQ=WEEKLY;INTERVAL=3", 168)},
    "the same, years later": {"calendar": calendar(date(2006, 1, 2), "FREQ=WEEKLY;INTERVAL=3", 168)},
    "calendar, 3 shifts a day": {"calendar": calendar(START, "FREQ=DAILY", 8)},
    "calendar, 24 shifts a day": {"calendar": calendar(START, "FREQ=HOURLY;INTERVAL=24", 1, 24)},
}


def site(rota: dict[str, Any]) -> Site:
    persons = [{"id": id_, "name": id_.title()} for id_ in MEMBERS]
    return Site.model_validate(site_dict(persons=persons, rotas=[{"id": "duty", "name": "Duty"} | rota]))


def us_each(do: Callable[[int], object], times: int) -> float:
    began = perf_counter()
    for number in range(times):
        do(number)
    return (perf_counter() - began) / times * 1e6


def measure(name: str, model: Site) -> None:
    roster = Roster.of(model)
    figures = [
        us_each(lambda _: Roster.of(model), 5),
        us_each(lambda n: roster.on_call("duty", T0 + n * BLOCK_US), 20),
        us_each(lambda n: roster.on_call("duty", T0 + 20 * BLOCK_US - 1 - n), 20_000),
        us_each(lambda n: roster.next_change_us("duty", T0 + n), 200),
        us_each(lambda n: roster.gaps("duty", T0 + n, T0 + 60 * DAY_US), 20),
    ]
    print(f"{name:<28}" + "".join(f"{figure:>10.1f}" for figure in figures))


def main() -> None:
    print(
        f"{'microseconds':<28}" + "".join(f"{title:>10}" for title in ("compile", "cold", "on_call", "next", "60 days"))
    )
    for name, rota in ROTAS.items():
        measure(name, site(rota))


if __name__ == "__main__":
    main()

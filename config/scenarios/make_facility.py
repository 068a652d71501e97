"""Writes facility-site.toml and full-facility.toml beside itself: 40 rooms in five wings, 200 counters, a shift's work.

Run it after a change: python config/scenarios/make_facility.py. A test compares the files with what it writes.
"""

from __future__ import annotations

from pathlib import Path

HERE = Path(__file__).parent
WINGS = ("north", "east", "south", "west", "centre")
ROOMS = (("filling", "B", 80), ("prep", "C", 60), ("wash", "C", 60), ("gown", "D", 30)) * 2
VOLUMES = {"B": 90, "C": 70, "D": 45}
COUNTERS = 5
ALERTS = {"B": (100_000, 2_000), "C": (300_000, 10_000), "D": (500_000, 40_000)}

SITE_HEAD = """\
# A whole facility, invented: five wings of eight rooms, five counters in each. Written by make_facility.py.

format = 1

[site]
id = "mirrenfeld-works"
name = "Mirrenfeld works"
time_zone = "Europe/Berlin"

[service]
journal = "motewatch.db"
clock_tolerance_s = 20

[service.broker]
host = "127.0.0.1"
port = 1883

[[programmes]]
id = "background"
period_s = 60
settle_s = 3
min_coverage_pct = 75
rule = { kind = "k-of-n", k = 2, n = 3 }
insufficient_after = 5
"""

STORY_HEAD = """\
# Two hundred counters for an hour: a burst in one wing, a door in another, a fan in a third, a silent counter.
# Written by make_facility.py.

format = 1

[scenario]
name = "Full facility"
site = "facility-site.toml"
start = 2026-01-05T09:00:00+01:00
length_s = 3600
seed = 12
person_spread = 0.2
"""

INCIDENTS = """
[[incidents]]
kind = "gowning-burst"
room = "north-gown-1"
people = 6
garment = "indoor"
activity = 2
at_s = 900
duration_s = 600

[[incidents]]
kind = "door-open"
higher = "east-filling-1"
lower = "east-prep-1"
at_s = 1200
duration_s = 900

[[incidents]]
kind = "supply-drop"
room = "south-filling-2"
share = 0.25
at_s = 1500
duration_s = 900

[[incidents]]
kind = "sensor-unplugged"
sensor = "west-prep-1-c3"
at_s = 1800
duration_s = 600
"""


def rooms() -> list[tuple[str, str, str, int]]:
    """Wing, room, grade and air changes of every room."""
    result = []
    for wing in WINGS:
        for i, (word, grade, changes) in enumerate(ROOMS):
            result.append((wing, f"{wing}-{word}-{i // 4 + 1}", grade, changes))
    return result


def site_text() -> str:
    """The site file."""
    parts = [SITE_HEAD]
    parts += [f'\n[[areas]]\nid = "{wing}"\nname = "Wing {wing}"\n' for wing in WINGS]
    for wing, room, grade, _ in rooms():
        parts.append(
            f'\n[[rooms]]\nid = "{room}"\nname = "{room.replace("-", " ").capitalize()}"\narea = "{wing}"\n'
            f'grade = "{grade}"\nvolume_m3 = {VOLUMES[grade]}\noccupancy = "operational"\n'
        )
        if grade != "D":
            parts.append(
                "\n[rooms.climate.pressure_difference]\nalert_low_pa = 8\nlow_pa = 6\ndeadband_pa = 1\n"
                "on_delay_s = 150\noff_delay_s = 60\n"
                'delay_justification = "Longer than two passages through a door (example)."\n'
            )
    for _, room, grade, _ in rooms():
        for size, alert in zip((0.5, 5.0), ALERTS[grade], strict=True):
            parts.append(
                f'\n[[levels]]\nroom = "{room}"\nsize_um = {size}\noccupancy = "operational"\nalert_per_m3 = {alert}\n'
            )
        for i in range(1, COUNTERS + 1):
            parts.append(
                f'\n[[locations]]\nid = "{room}-{i}"\nname = "{room.replace("-", " ").capitalize()}, place {i}"\n'
                f'room = "{room}"\nprogramme = "background"\n'
                f'\n[[sensors]]\nid = "{room}-c{i}"\nserial = "W-{room}-{i}"\nlocation = "{room}-{i}"\n'
                "sizes_um = [0.5, 5.0]\nflow_l_min = 28.3\nmax_concentration_per_m3 = 35_000_000\n"
                "calibration_due = 2030-06-30\ninterval_s = 60\nsilent_after_s = 180\n"
            )
    return "".join(parts)


def story_text() -> str:
    """The scenario file."""
    parts = [STORY_HEAD]
    for _, room, grade, changes in rooms():
        pressure = "" if grade == "D" else f"pressure_pa = {14 if grade == 'B' else 12}\n"
        parts.append(f'\n[[rooms]]\nid = "{room}"\nair_changes_per_h = {changes}\n{pressure}')
        parts.append(f'\n[[people]]\nroom = "{room}"\ncount = {2 if grade == "B" else 1}\nactivity = 0.25\n')
    for wing in WINGS:
        for n in (1, 2):
            for higher, lower in (("filling", "prep"), ("prep", "wash"), ("wash", "gown"), ("gown", None)):
                end = f"{wing}-{lower}-{n}" if lower else "surroundings"
                parts.append(
                    f'\n[[connections]]\nhigher = "{wing}-{higher}-{n}"\nlower = "{end}"\nleak_m3_h = 120\n'
                    f"door = {{ passages_per_h = {2 if lower else 4} }}\n"
                )
    # One counter of each room tells its pressure difference; the others would tell the same five times.
    for _, room, grade, _ in rooms():
        for i in range(1 if grade == "D" else 2, COUNTERS + 1):
            parts.append(f'\n[[sensors]]\nid = "{room}-c{i}"\nclimate = ["temperature", "humidity"]\n')
    return "".join(parts) + INCIDENTS


if __name__ == "__main__":
    (HERE / "facility-site.toml").write_text(site_text(), encoding="utf-8")
    (HERE / "full-facility.toml").write_text(story_text(), encoding="utf-8")

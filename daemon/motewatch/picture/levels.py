"""A sample against the levels that were in force when it was taken: values, levels, and which it is above.

Rules: a single value against a level, whatever the judging rule makes of it. Pure. Must not know the record.
"""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass

from motewatch.engine.plan import Grade, LocationPlan
from motewatch.measure.samples import Sample
from motewatch.picture import words


@dataclass(frozen=True, slots=True)
class LevelLine:
    """One size of a sample, and the levels that were in force for it."""

    size_nm: int
    count: int | None
    per_m3: float | None
    """None: not counted, or without air."""
    alert: int | None
    action: int | None
    sources: tuple[str, ...]

    @property
    def beyond(self) -> Grade | None:
        """The level that it is above."""
        if self.per_m3 is None:
            return None
        if self.action is not None and self.per_m3 > self.action:
            return Grade.ACTION
        return Grade.ALERT if self.alert is not None and self.per_m3 > self.alert else None


def level_lines(plan: LocationPlan | None, sample: Sample) -> tuple[LevelLine, ...]:
    """Each size that was counted or has a level, smallest first. `plan`: None where the location was not configured."""
    levels = () if plan is None else plan.levels.get(sample.occupancy, ())
    sizes = sorted({level.size_nm for level in levels} | {channel.size_nm for channel in sample.channels})
    lines = []
    for size_nm in sizes:
        channel = sample.channel(size_nm)
        here: Mapping[Grade, int] = {level.grade: level.per_m3 for level in levels if level.size_nm == size_nm}
        sources = tuple(dict.fromkeys(level.source for level in levels if level.size_nm == size_nm))
        count, per_m3 = (None, None) if channel is None else (channel.count, channel.per_m3)
        lines.append(LevelLine(size_nm, count, per_m3, here.get(Grade.ALERT), here.get(Grade.ACTION), sources))
    return tuple(lines)


def beyond_words(plan: LocationPlan | None, sample: Sample) -> str:
    """`≥0.5 µm 4 841/m³, above the action level 3 520`; empty where it is above none."""
    if plan is None:
        return ""
    said = []
    for line in level_lines(plan, sample):
        grade = line.beyond
        limit = line.action if grade is Grade.ACTION else line.alert
        if grade is None or line.per_m3 is None or limit is None:
            continue
        size = words.size(line.size_nm, words.UNICODE)
        value, level = words.figure(line.per_m3), words.limit_figure(limit)
        said.append(f"{size} {value}/m³, above the {grade.value} level {level}")
    return "; ".join(said)

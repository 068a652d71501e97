"""One location's air: readings into sample periods, samples into judgements, climate values into bounds.

Rules (design: measuring rules). A reading belongs to the period in which it ended. A period closes when it has
settled, at a nominal instant; what comes later amends the sample, and the earlier revision stays on record. Judging
runs in the order of the air, not of the messages: a late revision is judged where it belongs, and an excursion found
that way raises its alarm although it is over. Too little or suspect air never ends an alarm; that is decided in
`limits.judging`, not here. This module must not know messages, tables, or how time passes: deadlines are entered in
the agenda and handed back when due.
"""

from __future__ import annotations

from dataclasses import dataclass, field
from typing import Any, Final

from motewatch.alarms.bounds import BoundWatch, Change
from motewatch.engine import texts
from motewatch.engine.agenda import Due
from motewatch.engine.codec import sample_from_plain, sample_to_plain
from motewatch.engine.desk import BROKER_ALARM, FOREVER_US, Desk
from motewatch.engine.plan import PRIORITY, ClimateBound, CountLevel, Grade, LocationPlan
from motewatch.engine.records import Priority, SampleTaken
from motewatch.engine.subject import Subject, count_alarm, insufficient_alarm, location_alarm, sensor_alarm
from motewatch.engine.suspicion import SuspicionState, look_at, suspicion_alarms
from motewatch.engine.trend_plan import TrendPlan
from motewatch.engine.trends import TrendState, TrendWatch, trends_from_state
from motewatch.limits.judging import Judgement, Observation, Verdict, judge, observe
from motewatch.measure.accumulate import Accumulator
from motewatch.measure.periods import period_end_us
from motewatch.measure.samples import INSUFFICIENT, Quality, Sample
from motewatch.wire.records import Reading

_INSUFFICIENT: Final = int(INSUFFICIENT)
_QUANTITIES: Final = ("temperature", "humidity", "pressure-difference")
"""In the order in which the values of a reading are looked at."""

RECENT_AT_LEAST = 4
"""Closed samples kept in memory at least, so that slightly late data need not be looked up on record."""


@dataclass(slots=True)
class LocationState:
    """What is remembered of one location."""

    closed_us: int
    """Every period that ended by now is closed."""
    open: dict[int, Accumulator] = field(default_factory=dict)
    late: dict[int, Accumulator] = field(default_factory=dict)
    """Closed periods for which late readings are being gathered; a revision is due when they have settled."""
    revisions: dict[int, int] = field(default_factory=dict)
    """The last revision on record of each period in `late`."""
    recent: list[Sample] = field(default_factory=list)
    short: int = 0
    """Consecutive samples with too little air."""
    climate_us: int = 0
    watches: dict[str, BoundWatch] = field(default_factory=dict)
    backfill_us: int = 0
    backfill: dict[str, BoundWatch] = field(default_factory=dict)
    """Bounds followed through climate values that came after newer ones."""
    trends: dict[str, TrendState] = field(default_factory=dict)
    suspicion: SuspicionState | None = None

    def to_state(self) -> dict[str, Any]:
        """Plain values for a snapshot."""
        return {
            "closed": self.closed_us,
            "open": [[end, acc.to_state()] for end, acc in sorted(self.open.items())],
            "late": [[end, acc.to_state(), self.revisions[end]] for end, acc in sorted(self.late.items())],
            "recent": [sample_to_plain(sample) for sample in self.recent],
            "short": self.short,
            "climate": self.climate_us,
            "watches": {key: watch.to_state() for key, watch in sorted(self.watches.items())},
            "backfill_us": self.backfill_us,
            "backfill": {key: watch.to_state() for key, watch in sorted(self.backfill.items())},
            "trends": {key: trend.to_state() for key, trend in sorted(self.trends.items())},
            "suspicion": None if self.suspicion is None else self.suspicion.to_state(),
        }

    @classmethod
    def from_state(
        cls, state: dict[str, Any], bounds: dict[str, ClimateBound], trends: tuple[TrendPlan, ...] = ()
    ) -> LocationState:
        """The state that `to_state` took apart; bounds and trends come from the plan."""
        doubted = state["suspicion"]
        return cls(
            closed_us=state["closed"],
            open={end: Accumulator.from_state(acc) for end, acc in state["open"]},
            late={end: Accumulator.from_state(acc) for end, acc, _ in state["late"]},
            revisions={end: revision for end, _, revision in state["late"]},
            recent=[sample_from_plain(plain) for plain in state["recent"]],
            short=state["short"],
            climate_us=state["climate"],
            watches={k: BoundWatch.from_state(bounds[k].bound, w) for k, w in state["watches"].items() if k in bounds},
            backfill_us=state["backfill_us"],
            backfill={
                k: BoundWatch.from_state(bounds[k].bound, w) for k, w in state["backfill"].items() if k in bounds
            },
            trends=trends_from_state(state["trends"], trends),
            suspicion=None if doubted is None else SuspicionState.from_state(doubted),
        )


class LocationDesk:
    """Works on one location: its plan, its state, and the engine's shared desk."""

    __slots__ = (
        "_backs",
        "_bounds",
        "_count_alarms",
        "_desk",
        "_keep",
        "_measured",
        "_not_in_force",
        "_trends",
        "plan",
        "state",
    )

    def __init__(self, desk: Desk, plan: LocationPlan, state: LocationState) -> None:
        self._desk = desk
        self.plan = plan
        self.state = state
        self._bounds = {bound.key: bound for bound in desk.plan.rooms[plan.room].bounds}
        self._measured = [(key, _QUANTITIES.index(bound.quantity), bound) for key, bound in self._bounds.items()]
        # Ids are made once, not for each sample.
        self._count_alarms = {
            (size, grade): count_alarm(plan.id, size, grade.value) for size in plan.rules for grade in Grade
        }
        self._not_in_force = {
            occupancy: [
                (size, grade, alarm)
                for (size, grade), alarm in self._count_alarms.items()
                if not any((level.size_nm, level.grade) == (size, grade) for level in levels)
            ]
            for occupancy, levels in plan.levels.items()
        }
        self._backs = plan.backs
        self._keep = max([RECENT_AT_LEAST, *(back + 1 for back in plan.backs.values())])
        self._trends = TrendWatch(desk, plan, state.trends)
        doubted = None if desk.plan.suspicion is None else plan.sensor
        if doubted is None:
            state.suspicion = None
        elif state.suspicion is None or state.suspicion.sensor != doubted:
            state.suspicion = SuspicionState(doubted)

    def alarms(self) -> list[str]:
        """Ids of all alarms that this location can raise."""
        counts = self._count_alarms.values()
        climate = [location_alarm(self.plan.id, key) for key in self._bounds]
        doubts = () if self.state.suspicion is None else suspicion_alarms(self.state.suspicion.sensor)
        return [*counts, *climate, *self._trends.alarms(), *doubts, insufficient_alarm(self.plan.id)]

    # Sample periods

    def open_first(self) -> None:
        """Enter the first closing deadline of a location with a fixed sensor: its periods close, empty or not."""
        plan = self.plan
        if plan.period_us is not None and plan.sensor is not None:
            self._desk.agenda.enter(self.state.closed_us + plan.period_us + plan.settle_us, Due.CLOSE, plan.id)

    def take(self, reading: Reading, quality: Quality) -> None:
        """A reading of this location's air was accepted."""
        plan, state = self.plan, self.state
        end_us = reading.end_us
        if plan.period_us is None:
            if end_us > state.closed_us:
                acc = Accumulator(plan.id, reading.start_us, end_us)
                acc.add(reading, quality)
                state.closed_us = end_us
                self._close(acc)
            else:
                self._gather_late(reading.start_us, end_us, reading, quality)
        else:
            period_us = plan.period_us
            close_us = period_end_us(end_us, period_us)
            if close_us > state.closed_us:
                open_acc = state.open.get(close_us)
                if open_acc is None:
                    open_acc = state.open[close_us] = Accumulator(plan.id, close_us - period_us, close_us)
                    if plan.sensor is None:
                        due_us = max(close_us + plan.settle_us, self._desk.time_us)
                        self._desk.agenda.enter(due_us, Due.CLOSE, plan.id)
                open_acc.add(reading, quality)
            else:
                self._gather_late(close_us - period_us, close_us, reading, quality)
        if self._bounds:
            self._climate(reading)
        if state.suspicion is not None:
            look_at(self._desk, plan, state.suspicion, reading, quality)

    def close_due(self, due_us: int) -> None:
        """A closing deadline has come."""
        plan, state = self.plan, self.state
        if plan.period_us is None:
            return
        end_us = due_us - plan.settle_us
        if plan.sensor is not None:
            if end_us != state.closed_us + plan.period_us:
                return
            state.closed_us = end_us
            acc = state.open.pop(end_us, None) or Accumulator(plan.id, end_us - plan.period_us, end_us)
            self._desk.agenda.enter(due_us + plan.period_us, Due.CLOSE, plan.id)
            self._close(acc)
            return
        # Portables come and go: only periods in which somebody measured are closed.
        for ready_us in sorted(end for end in state.open if end <= end_us):
            state.closed_us = max(state.closed_us, ready_us)
            self._close(state.open.pop(ready_us))

    def _close(self, acc: Accumulator) -> None:
        sample = self._sample(acc, 1)
        state = self.state
        if state.recent and state.recent[-1].end_us >= sample.end_us:
            self._revise(sample)
            return
        self._record(sample)
        state.recent.append(sample)
        if len(state.recent) > self._keep:
            del state.recent[0]
        self._judge_head(late=False)
        self._judge_coverage(sample)
        self._trends.take(sample)

    def _sample(self, acc: Accumulator, revision: int) -> Sample:
        occupancy = self._desk.occupancy(self.plan.room, acc.start_us)
        return acc.to_sample(revision, occupancy, self.plan.min_coverage, self.plan.required_ul)

    def _record(self, sample: Sample) -> None:
        self._desk.history.taken(sample)
        self._desk.outputs.append(SampleTaken(sample))

    # Late data

    def _gather_late(self, start_us: int, end_us: int, reading: Reading, quality: Quality) -> None:
        state = self.state
        acc = state.late.get(end_us)
        if acc is None:
            before = self._on_record(end_us)
            acc = Accumulator(self.plan.id, start_us, end_us) if before is None else Accumulator.from_sample(before)
            state.late[end_us] = acc
            state.revisions[end_us] = 0 if before is None else before.revision
            self._desk.agenda.enter(self._desk.time_us + self.plan.settle_us, Due.REVISE, f"{self.plan.id}@{end_us}")
        acc.add(reading, quality)

    def revise_due(self, end_us: int) -> None:
        """Late readings of the period that ended at `end_us` have settled."""
        acc = self.state.late.pop(end_us, None)
        if acc is None:
            return
        self._revise(self._sample(acc, self.state.revisions.pop(end_us) + 1))

    def _on_record(self, end_us: int) -> Sample | None:
        for sample in reversed(self.state.recent):
            if sample.end_us == end_us:
                return sample
        found = self._desk.history.samples(self.plan.id, end_us, end_us)
        return found[-1] if found else None

    def _revise(self, after: Sample) -> None:
        state = self.state
        in_memory = bool(state.recent) and after.end_us >= state.recent[0].end_us
        if in_memory:
            known = state.recent
        else:
            span_us = self._keep * (self.plan.period_us or (after.end_us - after.start_us))
            known = self._desk.history.samples(self.plan.id, after.end_us - span_us, after.end_us + span_us)
        amended = sorted([s for s in known if s.end_us != after.end_us] + [after], key=lambda s: s.end_us)
        head_us = state.recent[-1].end_us if state.recent else FOREVER_US
        self._record(after)
        self._judge_past(known, amended, after, head_us)
        if in_memory:
            state.recent = amended[-self._keep :]
            self._judge_head(late=True)
            if state.recent[-1] is after:
                self._judge_coverage(after)

    def _judge_past(self, known: list[Sample], amended: list[Sample], after: Sample, head_us: int) -> None:
        """Judge the windows that hold the amended sample and ended before the newest one."""
        for level in self.plan.levels[after.occupancy]:
            back = self._backs[level.size_nm]
            place = next(i for i, sample in enumerate(amended) if sample.end_us == after.end_us)
            for last in range(place, min(place + back, len(amended))):
                if amended[last].end_us >= head_us:
                    break
                now = self._judge(amended[: last + 1], level)
                if now is None or now.verdict is not Verdict.EXCEEDS:
                    continue
                earlier = [sample for sample in known if sample.end_us <= amended[last].end_us]
                then = self._judge(earlier, level) if earlier else None
                if then is None or then.verdict is not Verdict.EXCEEDS:
                    self._found_late(level, now, amended[last].end_us)
                    break

    def _found_late(self, level: CountLevel, judgement: Judgement, at_us: int) -> None:
        """An excursion that is over: its alarm starts and returns, and stands until somebody has taken note."""
        desk = self._desk
        subject = self._count_subject(level.size_nm, level.grade)
        if desk.book.active(subject.alarm):
            return
        text = texts.excursion(self.plan, level, judgement, late=True)
        desk.say(desk.book.starts(subject, at_us, desk.time_us, text, judgement.per_m3, level.per_m3, "/m3", late=True))
        desk.say(desk.book.returns(subject.alarm, at_us, desk.time_us, text, judgement.per_m3, late=True))

    # Judging counts

    def _judge_head(self, late: bool) -> None:
        """Judge the newest sample's window for every level, and let alarms start or return."""
        desk, recent = self._desk, self.state.recent
        head = recent[-1]
        windows: dict[int, list[Observation]] = {}
        for level in self.plan.levels[head.occupancy]:
            judgement = self._judge(recent, level, windows)
            if judgement is None or judgement.verdict is Verdict.NOT_ENOUGH_AIR:
                continue
            if judgement.verdict is Verdict.EXCEEDS:
                subject = self._count_subject(level.size_nm, level.grade)
                if not desk.book.active(subject.alarm):
                    text = texts.excursion(self.plan, level, judgement, late)
                    value = judgement.per_m3
                    desk.say(
                        desk.book.starts(
                            subject, head.end_us, desk.time_us, text, value, level.per_m3, "/m3", late=late
                        )
                    )
            else:
                alarm = self._count_alarms[(level.size_nm, level.grade)]
                if desk.book.active(alarm):
                    text = texts.recovery(self.plan, level, judgement)
                    desk.say(desk.book.returns(alarm, head.end_us, desk.time_us, text, judgement.per_m3))
        self._drop_levels_not_in_force(head)

    def _drop_levels_not_in_force(self, head: Sample) -> None:
        """An alarm whose level does not hold in the present occupancy state is over by definition."""
        for size, grade, alarm in self._not_in_force[head.occupancy]:
            if self._desk.book.active(alarm):
                text = texts.no_level(self.plan, size, grade.value, head.occupancy)
                self._desk.say(self._desk.book.returns(alarm, head.end_us, self._desk.time_us, text))

    def _judge(
        self, samples: list[Sample], level: CountLevel, windows: dict[int, list[Observation]] | None = None
    ) -> Judgement | None:
        """Judge the window that ends with the last of `samples`; None where the size was not counted.

        `windows` remembers the window of each size of the same samples: alert and action look at the same one.
        """
        head, size_nm = samples[-1], level.size_nm
        window = None if windows is None else windows.get(size_nm)
        if window is None:
            window = self._window(samples, size_nm)
            if windows is not None:
                windows[size_nm] = window
        if head.channel(size_nm) is None and not head.quality & Quality.MISSING:
            return None
        return judge(self.plan.rules[size_nm], window, level.per_m3)

    def _window(self, samples: list[Sample], size_nm: int) -> list[Observation]:
        """As many of the last of `samples` as the rule of this size looks back over, and as belong together."""
        head = samples[-1]
        back = self._backs[size_nm]
        window: list[Observation] = []
        next_start_us = head.end_us
        for sample in reversed(samples):
            # Levels differ between occupancy states, so a window never reaches over a change of state; nor over a
            # stretch in which nobody measured, since the rules speak of consecutive samples.
            gap_us = next_start_us - sample.end_us
            if len(window) == back or sample.occupancy != head.occupancy or gap_us > self.plan.gap_us:
                break
            next_start_us = sample.start_us
            window.append(observe(sample, size_nm, self.plan.nominal_ul))
        window.reverse()
        return window

    def _judge_coverage(self, sample: Sample) -> None:
        """Too little air, sample after sample, is an alarm of its own, unless its cause has one already."""
        desk, plan, state = self._desk, self.plan, self.state
        alarm = insufficient_alarm(plan.id)
        if not int(sample.quality) & _INSUFFICIENT:
            state.short = 0
            if not desk.book.active(alarm):
                return
            desk.say(desk.book.returns(alarm, sample.end_us, desk.time_us, f"{plan.name}: enough air is sampled again"))
            return
        explained = desk.book.active(BROKER_ALARM) or (
            plan.sensor is not None and desk.book.active(sensor_alarm(plan.sensor, "silent"))
        )
        if explained:
            return
        state.short += 1
        if state.short >= plan.insufficient_after:
            subject = plan.subject(alarm, "insufficient-sampling", Priority.MEDIUM)
            share = sample.coverage
            if plan.required_ul:
                share = min(
                    share, max((channel.volume_ul for channel in sample.channels), default=0) / plan.required_ul
                )
            text = f"{plan.name}: too little air in {state.short} samples in a row; the last held {share:.0%} of it"
            desk.say(
                desk.book.starts(subject, sample.end_us, desk.time_us, text, 100 * share, 100 * plan.min_coverage, "%")
            )

    def _count_subject(self, size_nm: int, grade: Grade) -> Subject:
        alarm = count_alarm(self.plan.id, size_nm, grade.value)
        return self.plan.subject(alarm, f"count-{grade.value}", PRIORITY[grade])

    # Climate

    def _climate(self, reading: Reading) -> None:
        state = self.state
        at_us = reading.end_us
        values = (reading.temperature_mc, reading.humidity_mpct, reading.pressure_mpa)
        if at_us > state.climate_us:
            state.climate_us = at_us
            late, watches = False, state.watches
        else:
            if at_us < state.backfill_us:
                # An older stretch begins: what was seen of the other does not carry over.
                state.backfill.clear()
            state.backfill_us = at_us
            late, watches = True, state.backfill
        for key, place, bound in self._measured:
            value = values[place]
            if value is None:
                continue
            watch = watches.get(key)
            if watch is None:
                watch = watches[key] = BoundWatch(bound.bound)
            if watch.passes(value):
                continue
            for change in watch.observe(at_us, value):
                self._bound_changed(bound, change, late)
            if not late:
                due_us = watch.due_us
                if due_us is not None:
                    due_us = max(due_us, self._desk.time_us) + self.plan.settle_us
                    self._desk.agenda.enter(due_us, Due.BOUND, f"{self.plan.id}@{key}")

    def bound_due(self, key: str, due_us: int) -> None:
        """An on-delay may be over although no further value has come."""
        bound = self._bounds.get(key)
        watch = self.state.watches.get(key)
        if bound is None or watch is None:
            return
        for change in watch.expire(due_us - self.plan.settle_us):
            self._bound_changed(bound, change, late=False)

    def _bound_changed(self, bound: ClimateBound, change: Change, late: bool) -> None:
        desk, plan = self._desk, self.plan
        alarm = location_alarm(plan.id, bound.key)
        value = change.value / 1000
        if late:
            # A stretch that is over: it starts and returns at once, unless the alarm is active anyway.
            if change.active and not desk.book.active(alarm):
                text = texts.outside(plan, bound, change.value, late=True)
                subject = self._climate_subject(alarm, bound)
                limit = bound.bound.value / 1000
                desk.say(
                    desk.book.starts(subject, change.at_us, desk.time_us, text, value, limit, bound.unit, late=True)
                )
                desk.say(desk.book.returns(alarm, change.at_us, desk.time_us, text, value, late=True))
        elif change.active:
            text = texts.outside(plan, bound, change.value, late=False)
            limit = bound.bound.value / 1000
            subject = self._climate_subject(alarm, bound)
            desk.say(desk.book.starts(subject, change.at_us, desk.time_us, text, value, limit, bound.unit))
        else:
            text = texts.inside(plan, bound, change.value)
            desk.say(desk.book.returns(alarm, change.at_us, desk.time_us, text, value))

    def _climate_subject(self, alarm: str, bound: ClimateBound) -> Subject:
        return self.plan.subject(alarm, f"{bound.quantity}-{bound.grade.value}", PRIORITY[bound.grade])


def new_state(plan: LocationPlan, now_us: int) -> LocationState:
    """The state of a location that comes into being at `now_us`: the period running then is its first.

    What ended before is not taken for new: the record may hold samples of it from another configuration.
    """
    closed_us = now_us
    if plan.period_us is not None:
        closed_us = period_end_us(now_us, plan.period_us)
        if closed_us > now_us:
            closed_us -= plan.period_us
    return LocationState(closed_us=closed_us)

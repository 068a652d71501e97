"""The work of a study: the same answers in whatever way it is done, a stop that keeps what is done, going on."""

from __future__ import annotations

import json
from pathlib import Path
from threading import Event

import pytest

from motewatch_simulator.errors import StreamError
from motewatch_simulator.study.resume import Resume
from motewatch_simulator.study.spread import Stopped, work_off
from motewatch_simulator.study.tasks import Result, Task, Work, do, plan
from support.studies import small_study

STUDY = small_study(draws=100, runs=20)
WORK = Work(STUDY.model_dump_json(), ("bench",))
TASKS = tuple(task for task in plan(STUDY) if task.kind != "month" and task.rule != "half-hours")


def done(workers: int, resume: Resume, stop: Event | None = None) -> dict[str, Result]:
    return work_off(WORK, TASKS, workers, resume, stop or Event(), lambda done, total: None)


@pytest.fixture(scope="module")
def expected() -> dict[str, Result]:
    return {task.key: do(WORK, task) for task in TASKS}


def test_the_plan_names_each_task_once_and_covers_everything() -> None:
    tasks = plan(STUDY)
    assert len({task.key for task in tasks}) == len(tasks)
    assert sum(task.amount for task in tasks if task.kind == "draws") == STUDY.study.draws
    for rule in STUDY.rules:
        mine = [task for task in tasks if task.rule == rule.id]
        assert sum(task.amount for task in mine if task.kind == "month") == STUDY.study.months
        for incident in STUDY.incidents:
            assert sum(task.amount for task in mine if task.incident == incident.id) == STUDY.study.runs


def test_a_task_gives_the_same_whenever_and_wherever_it_is_done(expected: dict[str, Result]) -> None:
    assert {task.key: do(WORK, task) for task in reversed(TASKS)} == expected
    assert done(2, Resume(None, WORK)) == expected


def test_another_seed_gives_another_result(expected: dict[str, Result]) -> None:
    other = Work(small_study(draws=100, runs=20, seed=21).model_dump_json(), ("bench",))
    assert do(other, TASKS[-1]) != expected[TASKS[-1].key]


def test_rules_are_compared_on_the_same_air() -> None:
    """Runs have the same air for every rule: with the same rule twice the same is found."""
    twice = (STUDY.rules[0], STUDY.rules[0].model_copy(update={"id": "again"}))
    work = Work(STUDY.model_copy(update={"rules": twice}).model_dump_json(), ("bench",))
    first, again = (do(work, Task("incident", 0, 5, rule.id, "visitor")) for rule in twice)
    assert first == again


def test_a_stop_keeps_what_is_done_and_the_next_start_goes_on(tmp_path: Path, expected: dict[str, Result]) -> None:
    path, stop = tmp_path / "study.resume", Event()

    def after_two(done: int, total: int) -> None:
        if done >= 2:
            stop.set()

    with Resume(path, WORK) as kept, pytest.raises(Stopped) as stopped:
        work_off(WORK, TASKS, 1, kept, stop, after_two)
    assert (stopped.value.done, stopped.value.total) == (2, len(TASKS))

    seen: list[int] = []
    with Resume(path, WORK) as kept:
        assert list(kept.done) == [task.key for task in TASKS[:2]]
        found = work_off(WORK, TASKS, 1, kept, Event(), lambda done, total: seen.append(done))
    # Only what was missing was done, and the result is that of an uninterrupted run.
    assert seen == list(range(2, len(TASKS) + 1))
    assert json.dumps(found) == json.dumps(expected)


def test_a_torn_last_line_is_done_again(tmp_path: Path, expected: dict[str, Result]) -> None:
    path = tmp_path / "study.resume"
    with Resume(path, WORK) as kept:
        done(1, kept)
    whole = path.read_bytes()
    path.write_bytes(whole[:-20])
    with Resume(path, WORK) as kept:
        assert len(kept.done) == len(TASKS) - 1
        assert done(1, kept) == expected
    assert path.read_bytes() == whole


def test_the_file_of_another_study_is_refused_and_left_alone(tmp_path: Path) -> None:
    path = tmp_path / "study.resume"
    with Resume(path, WORK) as kept:
        kept.keep("draws/0", {"columns": {}})
    before = path.read_bytes()
    with pytest.raises(StreamError, match="not the resume file of this study"):
        Resume(path, Work(WORK.study, ("corner",)))
    assert path.read_bytes() == before


def test_a_resume_file_that_cannot_be_written_is_named(tmp_path: Path) -> None:
    with pytest.raises(StreamError, match="the resume file cannot be used"):
        Resume(tmp_path / "nowhere" / "study.resume", WORK)

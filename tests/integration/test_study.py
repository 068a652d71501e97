"""The command `study` as people run it: report and figures, Ctrl-C and going on, wrong files, a real cluster."""

from __future__ import annotations

import json
import signal
import subprocess
import sys
from collections.abc import Iterator
from pathlib import Path
from threading import Event
from typing import Any

import pytest

from motewatch_simulator.errors import StreamError
from motewatch_simulator.study.command import plain, run_study, work_out
from motewatch_simulator.study.report import Given, study_report
from motewatch_simulator.study.resume import Resume
from motewatch_simulator.study.spread import work_off
from motewatch_simulator.study.tasks import Work, do, plan
from support.studies import small_study

SMALL = """
format = 1
[study]
name = "A small room <tested>"
seed = 3
draws = 250
months = 1
runs = 10
[room]
area_m2 = 20.0
air_changes_per_h = 20.0
[room.holds]
iso_at_rest = 7
iso_in_operation = 8
[[people]]
count = 2
[[positions]]
id = "middle"
name = "Middle"
x_m = 2.0
y_m = 2.0
[[positions]]
id = "far"
name = "Far end"
x_m = 3.5
y_m = 4.5
tube = { length_m = 5.0, bends = 2 }
[[incidents]]
id = "spill"
name = "Spill"
kind = "source"
per_min_at_0_5_um = 1e10
duration_min = 10.0
[[rules]]
id = "half-hours"
name = "Half hours"
period_s = 1800
"""


@pytest.fixture
def room(tmp_path: Path) -> Path:
    path = tmp_path / "small.toml"
    path.write_text(SMALL, encoding="utf-8")
    return path


def command(*arguments: str | Path) -> list[str]:
    return [sys.executable, "-m", "motewatch_simulator", "study", *map(str, arguments)]


def test_the_command_answers_prints_and_writes(room: Path, tmp_path: Path) -> None:
    report, figures = tmp_path / "report.html", tmp_path / "figures.json"
    ran = subprocess.run(
        command(room, "--report", report, "--json", figures, "--workers", "2"),
        capture_output=True,
        text=True,
        timeout=300,
        check=False,
    )
    assert ran.returncode == 0, ran.stderr
    assert "A small room <tested>: LIKELY HELD" in ran.stdout
    assert "It qualifies nothing." in ran.stdout
    assert ran.stderr.splitlines()[-1].startswith("study: ")

    found = json.loads(figures.read_text(encoding="utf-8"))
    states = {(state["part"], state["state"]): state for state in found["states"]}
    assert set(states) == {("room", "at-rest"), ("room", "in-operation")}
    assert [size["cell"]["limit_per_m3"] for size in states["room", "in-operation"]["sizes"]][-1] == 29_300
    (rule,) = found["rules"]
    (spill,) = rule["incidents"]
    assert (spill["found"], spill["tried"]) == (10, 10)
    assert 0 < spill["median_delay_s"] <= 1800
    assert found["tubes"][0]["place"] == "far"

    page = report.read_text(encoding="utf-8")
    assert "A small room &lt;tested&gt;" in page
    assert "<tested>" not in page
    for outside in ("http://", "https://", "<script", "url(", "src="):
        assert outside not in page
    for section in ("Class held", "Air needed", "Recovery", "Where counters should sit", "Sample period and rule"):
        assert f"<h2>{section}</h2>" in page
    assert "It qualifies nothing." in page


def test_an_interrupt_keeps_what_is_done_and_the_next_start_gives_the_same(room: Path, tmp_path: Path) -> None:
    whole, after = tmp_path / "whole.json", tmp_path / "after.json"
    amounts = ("--draws", "2500", "--quiet")
    subprocess.run(command(room, "--json", whole, "--workers", "2", *amounts), check=True, timeout=300)
    resume = tmp_path / "study.resume"
    # With processes, and without --quiet, so that the first task that is done can be waited for.
    started = subprocess.Popen(
        command(room, "--json", after, "--workers", "2", "--resume", resume, *amounts),
        stderr=subprocess.PIPE,
        text=True,
    )
    with started:
        while started.poll() is None and _lines(resume) < 2:
            Event().wait(0.02)
        started.send_signal(signal.SIGINT)
        _, said = started.communicate(timeout=300)
    assert started.returncode == 130, said
    assert f"goes on from {resume}" in said
    done = _lines(resume) - 1
    assert 1 <= done < 12
    assert not after.exists()
    subprocess.run(
        command(room, "--json", after, "--workers", "2", "--resume", resume, *amounts), check=True, timeout=300
    )
    assert after.read_bytes() == whole.read_bytes()
    assert _lines(resume) == 13


def _lines(path: Path) -> int:
    return path.read_bytes().count(b"\n") if path.exists() else 0


@pytest.mark.parametrize(
    ("arguments", "status", "told"),
    [
        (("--workers", "none"), 1, "neither. Give a number of processes from 1, or tcp://host:port"),
        (("--workers", "0"), 1, "neither"),
        (("--report", "/nowhere/report.html"), 1, "there is no folder /nowhere"),
    ],
)
def test_what_cannot_work_is_said_at_once(room: Path, arguments: tuple[str, ...], status: int, told: str) -> None:
    ran = subprocess.run(command(room, *arguments), capture_output=True, text=True, timeout=120, check=False)
    assert ran.returncode == status
    assert told in ran.stderr
    assert "Traceback" not in ran.stderr


def test_a_wrong_room_is_named(room: Path) -> None:
    room.write_text(SMALL.replace("area_m2 = 20.0", "area_m2 = 0.0"), encoding="utf-8")
    ran = subprocess.run(command(room), capture_output=True, text=True, timeout=120, check=False)
    assert ran.returncode == 2
    assert ran.stderr.startswith("small.toml: room.area_m2 = 0")


def test_amounts_of_the_command_line_replace_the_files(room: Path) -> None:
    text = run_study(
        room,
        workers="1",
        resume=None,
        report=None,
        as_json=None,
        changes={"draws": 100, "seed": 9},
        stop=Event(),
        progress=lambda done, total: None,
    )
    assert "A small room <tested>" in text


@pytest.fixture(scope="module")
def cluster() -> Iterator[str]:
    distributed: Any = pytest.importorskip("dask.distributed")
    with distributed.LocalCluster(
        n_workers=2,
        threads_per_worker=1,
        processes=True,
        dashboard_address="127.0.0.1:0",
        host="127.0.0.1",
        silence_logs=40,
    ) as local:
        yield local.scheduler_address


def test_a_cluster_gives_the_same_as_one_process(cluster: str) -> None:
    study = small_study(draws=500)
    work = Work(study.model_dump_json(), ("bench",))
    tasks = [task for task in plan(study) if task.kind != "month"]
    expected = {task.key: do(work, task) for task in tasks}
    seen: list[tuple[int, int]] = []
    found = work_off(work, tasks, cluster, Resume(None, work), Event(), lambda done, total: seen.append((done, total)))
    assert found == expected
    assert seen[-1] == (len(tasks), len(tasks))


def test_a_cluster_that_is_not_there_is_named() -> None:
    pytest.importorskip("dask.distributed")
    study = small_study()
    work = Work(study.model_dump_json(), ("bench",))
    with pytest.raises(StreamError, match=r"tcp://127\.0\.0\.1:1: no scheduler answers there"):
        work_off(work, plan(study), "tcp://127.0.0.1:1", Resume(None, work), Event(), lambda done, total: None)


def test_the_report_of_a_zone_stands_by_itself() -> None:
    study = small_study("grade-ab-filling")
    answers = work_out(study, 1, None, Event(), lambda done, total: None)
    page = study_report(answers, Given("0.0", "today", "room.toml"))
    assert page == study_report(answers, Given("0.0", "today", "room.toml"))
    assert "Unidirectional zone" in page
    assert json.loads(json.dumps(plain(answers), allow_nan=False))["placing"]["chosen"]

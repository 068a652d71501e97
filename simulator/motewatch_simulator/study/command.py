"""`motewatch-simulator study`: reads a ROOM.toml, has the work done, prints and writes the answers."""

from __future__ import annotations

import contextlib
import json
import os
import sys
from dataclasses import asdict
from importlib.metadata import version
from pathlib import Path
from threading import Event
from typing import Any

from pydantic import BaseModel

from motewatch_simulator.clock import Clock, iso
from motewatch_simulator.errors import StreamError
from motewatch_simulator.study import model as m
from motewatch_simulator.study.answers import answer
from motewatch_simulator.study.file import load_study
from motewatch_simulator.study.findings import Answers
from motewatch_simulator.study.positions import place_counters
from motewatch_simulator.study.report import Given, study_report
from motewatch_simulator.study.resume import Resume
from motewatch_simulator.study.spread import Progress, work_off
from motewatch_simulator.study.tasks import Work, plan
from motewatch_simulator.study.text import summary


def workers_of(text: str | None) -> int | str:
    """A number of processes, or a cluster's address. None: all cores."""
    if text is None:
        return os.cpu_count() or 1
    if "://" in text:
        return text
    try:
        number = int(text)
    except ValueError:
        number = 0
    if number < 1:
        raise StreamError(f'--workers "{text}" is neither. Give a number of processes from 1, or tcp://host:port.')
    return number


def work_out(study: m.Study, workers: int | str, resume: Path | None, stop: Event, progress: Progress) -> Answers:
    """All answers. Raises `Stopped` when asked to stop before the end."""
    placing = place_counters(study)
    work = Work(study.model_dump_json(), placing.chosen)
    with Resume(resume, work) as kept:
        results = work_off(work, plan(study), workers, kept, stop, progress)
    return answer(study, placing, results)


def run_study(
    path: Path,
    *,
    workers: str | None,
    resume: Path | None,
    report: Path | None,
    as_json: Path | None,
    changes: dict[str, int],
    stop: Event,
    progress: Progress,
) -> str:
    """Does everything and returns the text for the terminal. `changes` replaces amounts and the seed of the file."""
    study = load_study(path)
    if changes:
        study = m.Study.model_validate(study.model_dump() | {"study": study.study.model_dump() | changes})
    for out in (report, as_json):
        # What cannot be written at the end is said at the beginning.
        if out is not None and not out.parent.is_dir():
            raise StreamError(f"{out}: there is no folder {out.parent} to write into")
    answers = work_out(study, workers_of(workers), resume, stop, progress)
    if report is not None:
        made = iso(Clock().now_us() // 60_000_000 * 60_000_000)
        _write(report, study_report(answers, Given(version("motewatch"), made, path.name)))
    if as_json is not None:
        _write(as_json, json.dumps(plain(answers), indent=1) + "\n")
    return summary(answers)


def plain(answers: Answers) -> dict[str, Any]:
    """The answers as JSON would have them: the study's own tables as in the file."""
    found = {key: _plain(value) for key, value in asdict(answers).items() if key not in ("study", "rules")}
    found["rules"] = [_plain(asdict(rule)) for rule in answers.rules]
    return {"v": 1, "study": answers.study.model_dump(mode="json"), **found}


def _plain(value: Any) -> Any:
    if isinstance(value, BaseModel):
        return value.model_dump(mode="json")
    if isinstance(value, dict):
        return {key: _plain(one) for key, one in value.items()}
    return [_plain(one) for one in value] if isinstance(value, list | tuple) else value


def _write(path: Path, text: str) -> None:
    try:
        path.write_text(text, encoding="utf-8")
    except OSError as error:
        raise StreamError(f"{path}: cannot be written: {error.strerror}") from None


def show(done: int, total: int) -> None:
    """Progress on stderr: one line that is overwritten on a terminal, and a line for each tenth elsewhere."""
    text = f"study: {done} of {total} tasks"
    if sys.stderr.isatty():
        sys.stderr.write(f"\r\x1b[K{text}" + ("\n" if done == total else ""))
    elif done == total or done * 10 // total != (done - 1) * 10 // total:
        sys.stderr.write(text + "\n")
    with contextlib.suppress(OSError):
        sys.stderr.flush()

"""The demo program with its real parts: broker, daemon, simulator, view; from the source or from the wheel alike."""

from __future__ import annotations

import os
import re
import signal
import subprocess
import sys
from collections.abc import Iterator
from contextlib import contextmanager
from pathlib import Path

import pytest

from motewatch.journal.journal import Journal
from support.missing import find_program
from support.servers import wait_until

CONFIG = Path(__file__).parents[2] / "config"
PATIENCE_S = 120.0


@contextmanager
def demo(folder: Path, *arguments: str) -> Iterator[subprocess.Popen[str]]:
    """The demo, with its journal and logs in `folder`; killed if the test does not see its end."""
    command = [sys.executable, "-P", "-m", "motewatch_simulator.demo", "--config", str(CONFIG), "--keep", str(folder)]
    process = subprocess.Popen(
        [*command, *arguments],
        stdin=subprocess.DEVNULL,
        stdout=subprocess.PIPE,
        stderr=subprocess.STDOUT,
        text=True,
        start_new_session=True,
    )
    try:
        yield process
    finally:
        if process.poll() is None:
            os.killpg(process.pid, signal.SIGKILL)
        process.communicate()


def processes_of(folder: Path) -> list[tuple[int, str]]:
    """(process id, command line) of the processes that were given this folder, the demo itself left out."""
    found = []
    for entry in Path("/proc").iterdir():
        if entry.name.isdigit():
            try:
                command = (entry / "cmdline").read_bytes().replace(b"\0", b" ").decode(errors="replace")
            except OSError:
                continue
            if f"{folder}/" in command and "motewatch_simulator.demo" not in command:
                found.append((int(entry.name), command))
    return found


def pid_of(folder: Path, words: str) -> int | None:
    """Process id of the demo's child whose command line holds these words."""
    return next((pid for pid, command in processes_of(folder) if words in command), None)


def readings_on_record(folder: Path) -> int:
    """How many readings the demo's journal holds; 0 while there is none."""
    if pid_of(folder, "motewatch_simulator run") is None:
        return 0
    with Journal.open_reader(folder / "motewatch.db") as journal:
        return sum(row.seq is not None for row in journal.inputs_after(0))


@pytest.mark.broker
@pytest.mark.parametrize("broker", ["mosquitto", "iotcore"])
def test_it_ends_by_itself_with_balanced_books(tmp_path: Path, broker: str) -> None:
    if broker == "mosquitto":
        find_program("mosquitto")
    with demo(tmp_path / "run", "--seconds", "15", "--broker", broker) as process:
        said, _ = process.communicate(timeout=PATIENCE_S)
    assert process.returncode == 0, said
    assert f"broker    {broker} on 127.0.0.1:" in said
    numbers = re.search(r"readings +(\d+) acknowledged to the sensors, (\d+) on record: every one", said)
    assert numbers is not None, said
    acknowledged, on_record = map(int, numbers.groups())
    # Seven sensors report each second and one every ten; starting up costs a second or two of fifteen.
    assert 7 * 10 <= acknowledged <= on_record <= 8 * 16
    samples = re.search(r"samples +(\d+)", said)
    assert samples is not None, said
    assert int(samples.group(1)) >= 7
    assert "dead letters  0" in said
    assert "to deliver    0" in said
    assert "journal       verified" in said
    assert processes_of(tmp_path / "run") == []


def test_ctrl_c_ends_it_in_order(tmp_path: Path) -> None:
    with demo(tmp_path / "run", "--broker", "auto") as process:
        wait_until(lambda: readings_on_record(tmp_path / "run") > 20, "readings on record", 60)
        # To the whole group, as a terminal does.
        os.killpg(process.pid, signal.SIGINT)
        said, _ = process.communicate(timeout=PATIENCE_S)
    assert process.returncode == 0, said
    assert "every one of them is in the journal, once" in said
    assert "Traceback" not in said
    assert processes_of(tmp_path / "run") == []


@pytest.mark.parametrize("part", ["motewatch serve", "motewatch_simulator run"])
def test_a_part_that_dies_is_told_with_its_log(tmp_path: Path, part: str) -> None:
    with demo(tmp_path / "run", "--broker", "auto") as process:
        wait_until(lambda: readings_on_record(tmp_path / "run") > 20, "readings on record", 60)
        victim = pid_of(tmp_path / "run", part)
        assert victim is not None
        os.kill(victim, signal.SIGKILL)
        said, _ = process.communicate(timeout=PATIENCE_S)
    assert process.returncode == 1, said
    name = "daemon" if "serve" in part else "simulator"
    assert f"The {name} ended by itself (status -9)" in said
    assert str(tmp_path / "run" / f"{name}.log") in said
    assert processes_of(tmp_path / "run") == []


def test_a_killed_demo_leaves_nothing_running(tmp_path: Path) -> None:
    if not sys.platform.startswith("linux"):
        pytest.skip("only Linux ends children with their parent")
    with demo(tmp_path / "run", "--broker", "auto") as process:
        wait_until(lambda: pid_of(tmp_path / "run", "motewatch_simulator run"), "the simulator", 60)
        process.kill()
    wait_until(lambda: processes_of(tmp_path / "run") == [], "the end of its parts", 30)


@pytest.mark.parametrize(
    ("arguments", "word"),
    [
        (("--seconds", "soon"), "'soon' is not a number of seconds"),
        (("--seconds", "0"), "'0' is not a number of seconds"),
        (("--broker", "other"), "invalid choice: 'other'"),
        (("--config", "/nowhere"), "there is no demo-site.toml in /nowhere"),
    ],
)
def test_a_wrong_argument_is_told(tmp_path: Path, arguments: tuple[str, ...], word: str) -> None:
    with demo(tmp_path / "run", *arguments) as process:
        said, _ = process.communicate(timeout=PATIENCE_S)
    assert process.returncode == 2
    assert word in said


def test_an_earlier_journal_is_not_written_over(tmp_path: Path) -> None:
    (tmp_path / "run").mkdir()
    (tmp_path / "run" / "motewatch.db").touch()
    with demo(tmp_path / "run") as process:
        said, _ = process.communicate(timeout=PATIENCE_S)
    assert process.returncode == 2
    assert "holds the journal of an earlier run" in said

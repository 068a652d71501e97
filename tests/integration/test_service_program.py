"""The service as a program: what it says when it cannot start, and what a signal makes it do."""

from __future__ import annotations

import json
import os
import signal
from pathlib import Path

import pytest

from motewatch.journal.history import JournalHistory
from motewatch.journal.journal import Journal
from motewatch.service import Service
from motewatch.service.replay import restore
from motewatch.wire.records import SECOND_US
from support.command_line import run, write_site
from support.facility import T0
from support.live import (
    ABOVE,
    ACTION,
    EVERYTHING,
    STOP_S,
    TOPICS,
    Program,
    ask,
    command,
    live_site,
    refuses,
    said,
    serving,
    spot,
    standing,
    until_said,
)
from support.mqtt_peer import Peer
from support.servers import Mosquitto, free_port, wait_until
from support.writer_bench import Bench, count, tamper

SLACK_S = 3.0


# ---- it cannot start


def test_a_bad_site_file_is_refused_with_every_mistake(tmp_path: Path) -> None:
    site = live_site({"port": free_port()})
    site["rooms"][0]["grade"] = "E"
    site["sensors"][0]["flow_l_min"] = -1.0
    site["locations"][1]["room"] = "attic"
    site["programmes"][0]["rythm"] = "slow"
    said_ = refuses(write_site(tmp_path, site))
    for part in ("rooms[0].grade", "sensors[0].flow_l_min", "locations[1].room", "programmes[0].rythm"):
        assert part in said_
    assert not (tmp_path / "journal.db").exists()


def test_a_site_file_that_is_not_there_is_said(tmp_path: Path) -> None:
    assert "no such file" in refuses(tmp_path / "nowhere.toml")


def test_a_journal_in_a_folder_that_is_not_there_is_said(tmp_path: Path) -> None:
    said_ = refuses(write_site(tmp_path, live_site({"port": free_port()}, journal="no/such/folder/journal.db")))
    assert "the directory" in said_
    assert "does not exist" in said_


def test_a_journal_that_is_a_folder_is_said(tmp_path: Path) -> None:
    (tmp_path / "journal.db").mkdir()
    assert "this is a directory" in refuses(write_site(tmp_path, live_site({"port": free_port()})))


def test_a_journal_that_is_something_else_is_left_alone(tmp_path: Path) -> None:
    (tmp_path / "journal.db").write_bytes(b"not a database, but somebody's work" * 100)
    said_ = refuses(write_site(tmp_path, live_site({"port": free_port()})))
    assert "no motewatch journal" in said_
    assert (tmp_path / "journal.db").read_bytes() == b"not a database, but somebody's work" * 100


def test_a_journal_that_may_not_be_written_is_said(tmp_path: Path) -> None:
    """Nobody may make a file there, not even root."""
    said_ = refuses(write_site(tmp_path, live_site({"port": free_port()}, journal="/proc/journal.db")))
    assert "/proc/journal.db: cannot be opened" in said_
    assert "may be read and written" in said_


def test_the_journal_of_another_site_is_refused_and_left_as_it_was(tmp_path: Path) -> None:
    with Journal(tmp_path / "journal.db", site="elsewhere"):
        pass
    before = (tmp_path / "journal.db").read_bytes()
    said_ = refuses(write_site(tmp_path, live_site({"port": free_port()})))
    assert "this is the journal of site 'elsewhere', not of 'testing'" in said_
    assert (tmp_path / "journal.db").read_bytes() == before


def test_a_start_that_failed_leaves_nothing_behind(tmp_path: Path) -> None:
    """The CA file is looked at after the journal was opened: all of it is undone, and the next start finds it free."""
    (tmp_path / "ca.pem").write_text("no certificate")
    wrong = live_site({"port": free_port(), "tls": True, "ca_file": "ca.pem"})
    assert "service.broker.ca_file" in refuses(write_site(tmp_path, wrong))
    right = live_site({"port": free_port()})
    with Service(write_site(tmp_path, right)):
        pass
    assert ask(tmp_path, lambda journal: journal.verify()) == []


# ---- signals


@pytest.mark.broker
@pytest.mark.parametrize("number", [signal.SIGTERM, signal.SIGINT])
def test_a_signal_ends_it_with_status_0(mosquitto: Mosquitto, tmp_path: Path, number: signal.Signals) -> None:
    with Program(write_site(tmp_path, live_site({"port": mosquitto.port}))) as program:
        program.signal(number)
        assert program.wait(STOP_S + SLACK_S) == 0
        assert program.log().splitlines()[-1].endswith("stopped")


@pytest.mark.broker
def test_its_state_is_told_on_one_screen_while_it_runs_while_it_hangs_and_after(
    mosquitto: Mosquitto, tmp_path: Path
) -> None:
    site = live_site({"port": mosquitto.port})
    path = write_site(tmp_path, site | {"backup": {"folder": "backups", "at": "00:00"}})
    with Program(path) as program, Peer(mosquitto.port) as peer:
        told = wait_until(lambda: text_with(run("status", path).output, "yes, as process "), "a sign of life")
        assert "the backup folder is not there" in told
        assert "nothing has ever come" in told
        peer.publish(*spot(1, ABOVE))
        told = wait_until(lambda: text_with(run("status", path).output, "1 of high priority"), "the alarm")
        assert "Testing ground" in told
        assert f"yes, as process {program.pid}" in told
        assert "1 of 2 fixed sensors are heard, silent: pc-2" in told
        assert "this site calls nobody" in told
        assert "journal" in told
        program.signal(signal.SIGSTOP)
        wait_until(lambda: stopped(program.pid), "the process to stand still")
        lock = tmp_path / "journal.db.lock"
        # As it will look a minute later.
        os.utime(lock, ns=(lock.stat().st_atime_ns, lock.stat().st_mtime_ns - 60 * 10**9))
        hanging = answers_of(path)
        assert hanging["Does the service run?"] == "not well"
        assert hanging["Do readings come in?"] == "cannot tell"
        assert hanging["Are they kept?"] == "not well"
        program.signal(signal.SIGCONT)
        wait_until(lambda: answers_of(path)["Does the service run?"] == "well", "the next sign of life")
        wait_until(lambda: "service/backup" in standing(tmp_path), "the alarm of the backup that failed", 90)
        assert "the last try failed; the backup folder is not there" in run("status", path).output
        program.stop()
    after = answers_of(path)
    assert after["Does the service run?"] == "not well"
    assert after["Do readings come in?"] == "cannot tell"


def answers_of(path: Path) -> dict[str, str]:
    """What `status` says to each question; something is not well."""
    told = run("status", path, "--format", "json")
    found = {each["question"]: each["answer"] for each in json.loads(told.output)}
    assert told.exit_code == ("not well" in found.values())
    return found


def stopped(pid: int) -> bool:
    """Does the kernel say that it stands still?"""
    return Path(f"/proc/{pid}/stat").read_text().rpartition(")")[2].split()[0] == "T"


def text_with(text: str, part: str) -> str:
    """The text, if it has this part."""
    return text if part in text else ""


def test_it_stops_without_ever_having_reached_a_broker(tmp_path: Path) -> None:
    program = Program.not_drained(write_site(tmp_path, live_site({"port": free_port()})))
    with program:
        program.wait_for_line("broker down")
        assert program.stop() < STOP_S + SLACK_S


def test_a_stop_in_the_middle_of_a_long_replay_is_heeded_at_once(tmp_path: Path) -> None:
    site = live_site({"port": free_port()})
    path = write_site(tmp_path, site)
    with Bench(tmp_path / "journal.db", site=site) as bench:
        bench.run_script(*[count("pc-1", n, T0 + n * SECOND_US, (n % 3, 0), 1.0) for n in range(12_000)])
        state = bench.engine.snapshot_text()
    with tamper(tmp_path / "journal.db") as connection:
        connection.execute("DELETE FROM snapshots")
    lock = tmp_path / "journal.db.lock"
    with Program.not_drained(path) as program:
        wait_until(lambda: lock.exists() and lock.read_text() == f"{program.pid}\n", "the begin of the replay")
        assert program.stop() < STOP_S
        assert "stopped before it had started" in program.log()
        assert "engine restored" not in program.log()
    # Nothing is spoilt by that: the whole record still gives the same engine.
    with Journal(tmp_path / "journal.db") as journal:
        again = restore(journal, JournalHistory(journal), TOPICS)
    assert (again.difference, again.inputs) == ("", 12_001)
    assert again.engine.snapshot_text() == state


@pytest.mark.broker
def test_a_stop_is_not_forgotten_because_a_reload_was_asked_right_after_it(
    mosquitto: Mosquitto, tmp_path: Path
) -> None:
    with Program(write_site(tmp_path, live_site({"port": mosquitto.port}))) as program:
        program.signal(signal.SIGTERM)
        program.signal(signal.SIGHUP)
        assert program.wait(STOP_S + SLACK_S) == 0


@pytest.mark.broker
def test_a_reload_takes_over_what_is_sound_and_nothing_else(mosquitto: Mosquitto, tmp_path: Path) -> None:
    site = live_site({"port": mosquitto.port})
    path = write_site(tmp_path, site)

    def configurations() -> list[str]:
        audit = ask(tmp_path, lambda journal: journal.query_audit()) or []
        return [row.detail for row in audit if row.action == "configuration"]

    with Program(path) as program, Peer(mosquitto.port, EVERYTHING) as peer:
        first = configurations()
        assert len(first) == 1

        # A file that is wrong: told with its mistakes, and yesterday's limits stand.
        text = path.read_text()
        path.write_text(text.replace('grade = "A"', 'grade = "Z"'))
        program.signal(signal.SIGHUP)
        assert "rooms[0].grade" in program.wait_for_line("the site file was not taken over")
        peer.publish(*spot(0, (50, 0)))
        said(peer, TOPICS.sample("spot-1"))
        assert standing(tmp_path) == []
        assert configurations() == first

        # A sharper level of the site's own: in force from the next sample on.
        site["levels"] = [{"location": "spot-1", "size_um": 0.5, "action_per_m3": 1000}]
        write_site(tmp_path, site)
        program.signal(signal.SIGHUP)
        program.wait_for_line("the site file is taken over")
        wait_until(lambda: len(configurations()) == 2, "the new configuration in the audit trail")
        peer.publish(*spot(1, (50, 0)))
        alarm = until_said(peer, TOPICS.alarm(ACTION), lambda one: one["state"] == "unacknowledged")
        assert alarm["limit"] == 1000
        assert "the site's own action level" in alarm["text"]

        # What is read at the start only is told, and the rest taken over all the same.
        site["service"]["broker"]["port"] = free_port()
        write_site(tmp_path, site)
        program.signal(signal.SIGHUP)
        program.wait_for_line("at the next start only")
        peer.publish(*spot(2, (1, 0)))
        until_said(peer, TOPICS.alarm(ACTION), lambda one: one["state"] == "returned-unacknowledged")
        program.stop()
    assert ask(tmp_path, lambda journal: journal.verify()) == []


@pytest.mark.broker
def test_a_reload_as_another_site_is_refused(mosquitto: Mosquitto, tmp_path: Path) -> None:
    site = live_site({"port": mosquitto.port})
    with serving(tmp_path, site) as service:
        site["site"]["id"] = "elsewhere"
        write_site(tmp_path, site)
        assert service.reload() is False
        site["site"]["id"] = "testing"
        write_site(tmp_path, site)
        assert service.reload() is True


@pytest.mark.broker
def test_a_new_configuration_found_at_the_start_is_an_input_as_well(mosquitto: Mosquitto, tmp_path: Path) -> None:
    site = live_site({"port": mosquitto.port})
    for _ in range(2):
        with serving(tmp_path, site):
            pass
    site["rooms"][0]["name"] = "Filling, rebuilt"
    with serving(tmp_path, site):
        pass
    audit = ask(tmp_path, lambda journal: journal.query_audit()) or []
    assert [row.action for row in audit] == ["configuration", "configuration"]
    assert len({row.detail for row in audit}) == 2


@pytest.mark.broker
def test_the_log_is_one_line_an_event_whatever_arrives(mosquitto: Mosquitto, tmp_path: Path) -> None:
    with Program(write_site(tmp_path, live_site({"port": mosquitto.port})), "debug") as program:
        with Peer(mosquitto.port, EVERYTHING) as peer:
            forged = "x\n2026-05-28T20:27:00.123Z INFO motewatch.service all is well \x1b[31m"
            body = json.loads(command("c-1", "acknowledge", alarm=ACTION))
            for key in ("alarm", "comment", "by", "extra"):
                peer.publish(TOPICS.command, json.dumps(body | {key: forged}))
            peer.publish(TOPICS.counts("pc-1"), forged)
            peer.publish(f"{TOPICS.counts('pc-1')}\u2028x", b"")
            said(peer, TOPICS.reply("c-1"), 4)
        program.stop()
        lines = program.log().splitlines()
    assert all(line.split(" ")[1] in ("DEBUG", "INFO", "WARNING", "ERROR") for line in lines)
    assert not [line for line in lines if line.startswith("2026-05-28") or not line.isprintable()]
    assert any("reason=not-json" in line for line in lines)

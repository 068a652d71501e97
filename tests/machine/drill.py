"""The drill: installs by `deploy/docs/install.md`, block by block, on a new machine, and tries what it must do.

Then the machine is lost, and comes back by the recipe in `deploy/docs/backup.md`, block by block, too.

    python tests/machine/drill.py --folder /var/tmp/drill [--log FILE] [--keep]

By hand, as root, with `debootstrap` and `systemd-container`; it needs Debian's and Python's package servers, some 4 GB
for the time it runs, about half an hour, and the ports 1883, 8883, 8428 and 2525 free. Each step says what it
found, and the status is 1 where one does not do what it should. What the page asks a person to do by an editor is done
here: the site file gets the page's own `[service]`, and what the trials need (a mail server of the drill's, a shift).
The wheel is built from the commit at hand; the "new version" is the same with a higher number.
"""

from __future__ import annotations

import argparse
import re
import shutil
import socketserver
import subprocess
import sys
import threading
import time
from collections.abc import Callable, Iterator
from dataclasses import dataclass, field
from datetime import UTC, datetime, timedelta
from pathlib import Path
from typing import Final

# In place of this folder, whose `machine.py` would be taken for the package.
sys.path[0] = str(Path(__file__).resolve().parent.parent)
from machine.machine import DrillError, Machine  # noqa: E402

ROOT: Final = Path(__file__).resolve().parents[2]
PAGE: Final = ROOT / "deploy" / "docs" / "install.md"
RECIPES: Final = ROOT / "deploy" / "docs" / "backup.md"
SITE: Final = "/etc/motewatch/site.toml"
AS: Final = "runuser -u motewatch -- motewatch"
MAIL_PORT: Final = 2525
NEW: Final = "0.1.1"
NEEDED: Final = 3
"""Without the first steps the others mean nothing; after a later one that fails they are still worth trying."""
MORE: Final = """
[callout]

[[channels]]
id = "mail"
kind = "e-mail"
host = "127.0.0.1"
port = 2525
tls = "none"
sender = "air@hall.example"

[[persons]]
id = "watch"
name = "The watch"
reach = [{ channel = "mail", address = "watch@hall.example" }]
may = ["acknowledge", "shelve", "occupancy"]

[[escalations]]
id = "all"
steps = [{ after_min = 0, tell = ["person:watch"] }]

[[reports]]
id = "shift"
kind = "shift"
after_min = 1
mail_to = ["watch"]
"""
RETENTION: Final = """
[retention]
messages_days = 35
samples_days = 35
"""
DAYS_AGO: Final = 70
"""A month that has been over for 35 days at least, whatever day it is."""
DISK: Final = "Backups and archives on another disk"
CLIENT_ID: Final = "daemon-kzqvwhxjtrnbmcpdlsfg"


def blocks(section: str, kind: str = "sh", page: Path = PAGE) -> list[str]:
    """The fenced blocks of a section of the page, in order, without the depth of their list."""
    text = page.read_text().split(f"\n## {section}\n")[1].split("\n## ")[0]
    found = re.findall(rf"^( *)```{kind}\n(.*?)^ *```$", text, flags=re.MULTILINE | re.DOTALL)
    return ["".join(line.removeprefix(depth) for line in body.splitlines(keepends=True)) for depth, body in found]


class _Mails(socketserver.StreamRequestHandler):
    """The least that a mail server says; keeps what it was given."""

    def handle(self) -> None:
        self.wfile.write(b"220 drill\r\n")
        while line := self.rfile.readline():
            word = line[:4].upper()
            if word == b"DATA":
                self.wfile.write(b"354 go on\r\n")
                body = b""
                while (line := self.rfile.readline()) not in (b".\r\n", b""):
                    body += line
                assert isinstance(self.server, MailServer)
                self.server.mails.append(body)
            self.wfile.write(b"221 bye\r\n" if word == b"QUIT" else b"250 drill\r\n")
            if word == b"QUIT":
                return


class MailServer(socketserver.ThreadingTCPServer):
    """Takes every mail, on this machine only."""

    allow_reuse_address = True
    daemon_threads = True

    def __init__(self) -> None:
        super().__init__(("127.0.0.1", MAIL_PORT), _Mails)
        self.mails: list[bytes] = []
        threading.Thread(target=self.serve_forever, daemon=True).start()


@dataclass
class Log:
    """What was done, for people: on the screen, and into a file."""

    path: Path | None
    began_s: float = field(default_factory=time.monotonic)
    lines: list[str] = field(default_factory=list)

    def say(self, text: str) -> None:
        stamped = f"[{time.monotonic() - self.began_s:6.1f} s] {text}"
        print(stamped, flush=True)
        self.lines.append(stamped)
        if self.path is not None:
            self.path.write_text("\n".join(self.lines) + "\n")


class Drill:
    """The steps, in order."""

    def __init__(self, machine: Machine, log: Log) -> None:
        self.machine = machine
        self.log = log
        self.mails = MailServer()
        self.site = "mirrenfeld"
        self.playing: subprocess.Popen[bytes] | None = None

    def steps(self) -> Iterator[tuple[str, Callable[[], str]]]:
        """Name and deed of each; a deed returns what is worth telling."""
        yield "a new Debian 12 with systemd as its first process", self.boot
        yield "install, block by block", self.install
        yield "the service is up under systemd", self.up
        yield "a site is played over TLS, an alarm goes out by MQTT and by mail", self.play
        yield "no sensor takes the daemon's session", self.take_over
        yield "secrets: handed over by LoadCredential, and to be read by nobody else", self.secrets
        yield "a stopped process is ended by the watchdog and started anew", self.watchdog
        yield "rows of seventy days ago go to archive files in the hardened unit", self.archives
        yield "a backup and a report (PDF) are made by the hardened unit", self.by_the_clock
        yield "backups and archives on another disk", self.other_disk
        yield "the log in the journal of systemd", self.journald
        yield "upgrade, while messages come", self.upgrade
        yield "back, and back with the backup", self.back
        yield "the machine is lost, and comes back from a backup", self.lost
        yield "restarted machine", self.restart

    # ---- the steps --------------------------------------------------------------------------------------------------

    def boot(self) -> str:
        self.machine.make()
        source = self.machine.folder / "root" / "motewatch"
        source.mkdir()
        packed = subprocess.run(["git", "archive", "HEAD"], cwd=ROOT, check=True, stdout=subprocess.PIPE)
        subprocess.run(["tar", "-x", "-C", source], input=packed.stdout, check=True)
        # What is not committed yet, so that a change can be tried before.
        shutil.copytree(ROOT / "deploy", source / "deploy", dirs_exist_ok=True)
        self.machine.start()
        commit = subprocess.run(["git", "log", "-1", "--format=%h %s"], cwd=ROOT, check=True, stdout=subprocess.PIPE)
        return f"commit {commit.stdout.decode()}" + self.machine.must(
            "systemctl --version | head -1; systemd-detect-virt"
        )

    def install(self) -> str:
        for number, block in enumerate(blocks("Install"), start=1):
            began_s = time.monotonic()
            if "editor " in block:
                block = block.replace("editor ", ": ")
                self._block(block)
                self._edit()
            else:
                self._block(block)
            first = block.strip().splitlines()[0]
            self.log.say(f"    block {number}: {first[:90]} ... ({time.monotonic() - began_s:.0f} s)")
        return ""

    def up(self) -> str:
        self.machine.must("systemctl is-active motewatch mosquitto victoria-metrics")
        score = self.machine.must("systemd-analyze security --no-pager motewatch | tail -1")
        shown = self.machine.must("systemctl show motewatch -p MainPID -p StatusText -p NRestarts -p WatchdogUSec")
        return f"{score}{shown}"

    def play(self) -> str:
        """The demo's four minutes, each sensor by its own account, and a display that hears alarms."""
        heard = subprocess.Popen(
            self.machine.command(
                "exec mosquitto_sub -V 5 -h localhost -p 8883 --cafile /etc/mosquitto/motewatch/ca.crt -u display "
                f'-P "$(cat /root/passwords/display)" -q 1 -R -v -t motewatch/v1/{self.site}/event -C 1 -W 400'
            ),
            stdin=subprocess.DEVNULL,
            stdout=subprocess.PIPE,
        )
        self.playing = subprocess.Popen(
            self.machine.command(
                "exec /opt/motewatch/current/bin/motewatch-simulator run --quiet --host localhost --port 8883 "
                "--ca-file /etc/mosquitto/motewatch/ca.crt --passwords /root/passwords "
                f"{SITE} /root/motewatch/config/demo-scenario.toml --seconds 10000"
            ),
            stdin=subprocess.DEVNULL,
        )
        said, _ = heard.communicate()
        if heard.returncode != 0:
            raise DrillError("no alarm was heard by the display within 400 s")
        self.machine.wait(lambda: any(b"watch@hall" in mail for mail in self.mails.mails), "a call by mail", 60)
        status = self.machine.run(
            f'{AS} status {SITE}; python3 -c "import urllib.request as u; '
            "print(u.urlopen('http://127.0.0.1:8428/api/v1/series/count').read().decode())\""
        )
        if self.machine.run("grep -q 'already connected' /var/log/mosquitto/mosquitto.log").status == 0:
            raise DrillError("clients throw each other off the broker")
        return f"heard: {said.decode()[:300]}\nmails: {len(self.mails.mails)}\n{status.text}"

    def take_over(self) -> str:
        before = self._main_pid()
        self.machine.must(
            "mosquitto_pub -V 5 -h localhost -p 8883 --cafile /etc/mosquitto/motewatch/ca.crt -u pc-01 "
            f'-P "$(cat /root/passwords/pc-01)" -i {CLIENT_ID} -q 1 -t motewatch/v1/{self.site}/presence/pc-01 -m x'
        )
        log = self.machine.must("journalctl -u motewatch --no-pager -o cat --since -10s")
        if '"broker down' in log or "broker down" in log:
            raise DrillError(f"the daemon was thrown off:\n{log}")
        if self._main_pid() != before:
            raise DrillError("the daemon was restarted")
        return f"an account of a sensor connected under the client id {CLIENT_ID}: the daemon's connection stayed"

    def secrets(self) -> str:
        said = self.machine.run("runuser -u motewatch -- cat /etc/motewatch/secrets/broker.password")
        if said.status == 0:
            raise DrillError("the service's user can read the secrets in /etc")
        secret = self.machine.must("cat /root/passwords/motewatch").strip()
        log = self.machine.must("journalctl -u motewatch --no-pager -o cat")
        if secret in log:
            raise DrillError("the password is in the log")
        given = self.machine.must(
            "systemctl show motewatch -p LoadCredential; ls -l /run/credentials/motewatch.service"
        )
        return f"{given}the service's user may not read /etc/motewatch/secrets; the password is not in the log"

    def watchdog(self) -> str:
        before = self._main_pid()
        self.machine.must(f"kill -STOP {before}")
        began_s = time.monotonic()
        self.machine.wait(
            lambda: self._main_pid() not in (before, 0) and self._active(), "the watchdog and a new start", 120
        )
        told = self.machine.must("journalctl -u motewatch --no-pager -o cat | grep -i -E 'watchdog|Scheduled restart'")
        return f"up again {time.monotonic() - began_s:.0f} s after SIGSTOP\n{told}"

    def by_the_clock(self) -> str:
        soon = datetime.now(UTC) + timedelta(minutes=2)
        local = self.machine.must(f"TZ=Europe/Berlin date -d @{soon.timestamp():.0f} +%H:%M").strip()
        self.machine.must(
            f'sed -i -e \'s/^at = "02:30"/at = "{local}"/\' -e \'s/^shifts = .*/shifts = ["{local}"]/\' {SITE}\n'
            f"{AS} check {SITE}\nsystemctl restart motewatch"
        )
        at = f"mirrenfeld-{soon:%Y%m%dT%H%M}"
        self.machine.wait(lambda: self._newest_backup() >= at, "the backup by the clock", 240)
        self.machine.wait(
            lambda: any(b"application/pdf" in mail for mail in self.mails.mails), "the report of the shift by mail", 400
        )
        self.machine.must(
            "rm -rf /tmp/drilled && runuser -u motewatch -- motewatch restore "
            "$(ls -d /var/backups/motewatch/mirrenfeld-* | tail -1) /tmp/drilled\n"
            f"{AS} verify {SITE}"
        )
        audit = self.machine.must(f"{AS} audit {SITE} | grep -E 'backup|report' | tail -5")
        size = max(len(mail) for mail in self.mails.mails)
        return f"backup restored and verified; report mailed ({size // 1024} kB with its PDF)\n{audit}"

    def archives(self) -> str:
        """A record of seventy days ago takes the place of the young one; the unit archives it once it has started."""
        place = "/usr/local/share/drill"
        laid = self.machine.must(
            f"install -d {place}\n"
            f"cp motewatch/tests/machine/old_record.py motewatch/config/demo-scenario.toml {place}\n"
            "systemctl stop motewatch\n"
            "mkdir /root/young && mv /var/lib/motewatch/* /root/young\n"
            f"runuser -u motewatch -- /opt/motewatch/current/bin/python {place}/old_record.py {SITE} "
            f"{place}/demo-scenario.toml --days-ago {DAYS_AGO}\n"
            f"echo '{RETENTION}' >>{SITE}\n{AS} check {SITE}\nsystemctl start motewatch"
        )
        self.machine.wait(self._archived, "rows to leave the journal", 400)
        files = self.machine.must(
            "ls -l /var/lib/motewatch/motewatch.db.archive\n"
            "systemctl show motewatch -p MemoryDenyWriteExecute -p ProcSubset -p ProtectSystem -p NRestarts\n"
            "/opt/motewatch/current/bin/python -m pip list 2>/dev/null | grep -i pyarrow\n"
            f"{AS} audit {SITE} | grep archived | cut -c1-110\n{AS} verify {SITE}"
        )
        if "MemoryDenyWriteExecute=yes" not in files:
            raise DrillError(f"the unit is not as hard as it was meant to be:\n{files}")
        until = datetime.now(UTC) - timedelta(days=DAYS_AGO - 1)
        read = int(
            self.machine.must(f"{AS} samples {SITE} --until {until:%Y-%m-%dT%H:%MZ} --limit 10000 --format csv | wc -l")
        )
        if read < 10:
            raise DrillError(f"only {read} lines of samples of seventy days ago are read back")
        return f"{laid}{files}{read} lines of samples of the first day read back\n{self._differences()}"

    def other_disk(self) -> str:
        """Without the page's file the unit cannot write there; with it it can."""
        self.machine.must(
            "mkdir /mnt/backups /mnt/archives\n"
            "for each in backups archives; do mount -t tmpfs -o size=300m,mode=755 $each /mnt/$each; done\n"
            "install -d -m 700 -o motewatch -g motewatch /mnt/backups/motewatch\n"
            f"sed -i 's|^folder = .*|folder = \"/mnt/backups/motewatch\"|' {SITE}\n"
            f"{AS} check {SITE}\nsystemctl restart motewatch"
        )
        self.machine.wait(lambda: "Read-only" in self._failed_backups(), "a backup that fails without the file", 120)
        before = self._failed_backups()
        self._block(blocks(DISK)[0].replace("editor ", ": "))
        self.machine.wait(
            lambda: self._newest_backup("/mnt/backups/motewatch") != "", "the backup on the other disk", 240
        )
        self._block(blocks(DISK)[1])
        self.machine.must(
            "cd /mnt/archives/motewatch\n"
            f"nsenter --target {self._main_pid()} --mount runuser -u motewatch -- touch $PWD/.tried\n"
            f"rm .tried\n{AS} verify {SITE}"
        )
        self._messages_come()
        return f"before: {before}" + self.machine.must("ls -l /mnt/backups/motewatch /mnt/archives/motewatch")

    def journald(self) -> str:
        return self.machine.must("journalctl -u motewatch --no-pager -o cat | wc -l; journalctl --disk-usage") + (
            self.machine.must("journalctl -u motewatch --no-pager -o cat | tail -3 | cut -c1-200")
        )

    def upgrade(self) -> str:
        self.machine.must(
            f"sed -i 's/^version = .*/version = \"{NEW}\"/' motewatch/pyproject.toml\n"
            "cd motewatch && /root/build/bin/python -m build --wheel --outdir /root/new . >/root/build.log 2>&1"
        )
        for block in blocks("Upgrade"):
            self._block(block.replace("NEW-WHEEL", f"/root/new/motewatch-{NEW}-py3-none-any.whl"))
        self.machine.must("systemctl is-active motewatch")
        version = self.machine.must("motewatch --version; ls /var/backups/motewatch")
        if NEW not in version:
            raise DrillError(f"still {version}")
        self._messages_come()
        return f"{version}{self._differences()}"

    def back(self) -> str:
        old = self.machine.must(f"ls /opt/motewatch/versions | grep -v {NEW} | head -1").strip()
        self._block(blocks("Go back")[0].replace("OLD-VERSION", old))
        self._messages_come()
        said = self.machine.must("motewatch --version")
        for block in blocks("Go back")[1:]:
            self._block(block.replace("before-NEW", f"before-{NEW}"))
        self._messages_come()
        verified = self.machine.must(f"{AS} verify {SITE}")
        return f"{said}{verified}{self._reports()}{self._differences()}"

    def lost(self) -> str:
        """All that the machine has of the service goes; the broker stays, as one on another machine would."""
        self.machine.must(
            "systemctl disable --now motewatch\n"
            "rm -rf /opt/motewatch /etc/motewatch /var/lib/motewatch* /var/backups/motewatch /usr/local/bin/motewatch "
            "/etc/systemd/system/motewatch.service*\nsystemctl daemon-reload\nuserdel motewatch"
        )
        self._block(blocks("Install")[2])
        for block in blocks("A lost machine, under systemd", page=RECIPES):
            self._block(block)
        self._block(blocks(DISK)[0].replace("editor ", ": "))
        self._messages_come()
        held = self.machine.must(
            f"ls -l /etc/motewatch /var/lib/motewatch\n{AS} verify {SITE}\n{AS} audit {SITE} | tail -3 | cut -c1-150"
        )
        return f"{held}{self._reports()}{self._differences()}"

    def restart(self) -> str:
        """Power off and on: everything must come by itself, also without the disk for backups, which comes later."""
        if self.playing is not None:
            self.machine.run("pkill -INT -f motewatch-simulator")
            self.playing.wait(60)
        self.machine.stop()
        self.machine.start()
        self.machine.wait(self._active, "the service after the machine's start", 120)
        told = self.machine.run(f"systemctl is-active motewatch mosquitto victoria-metrics; {AS} status {SITE}").text
        self.machine.must(
            "mount -t tmpfs -o size=300m,mode=755 backups /mnt/backups\n"
            "install -d -m 700 -o motewatch -g motewatch /mnt/backups/motewatch"
        )
        later = self.machine.run(
            f"nsenter --target {self._main_pid()} --mount runuser -u motewatch -- touch /mnt/backups/motewatch/.tried"
        )
        return f"{told}a disk that is mounted later: {'can be written to at once' if later.status == 0 else later.text}"

    # ---- helpers ----------------------------------------------------------------------------------------------------

    def _block(self, block: str) -> None:
        """Blocks share what they set, as in one shell: by a file of their variables."""
        script = (
            "set -eo pipefail; cd /root/motewatch; [[ -f /root/.state ]] && source /root/.state\n"
            f"{block}\ndeclare -p site sensors name backup 2>/dev/null >/root/.state || true\n"
        )
        self.machine.must(script)

    def _edit(self) -> None:
        """What the page asks a person to write into the site file."""
        path = self.machine.folder / SITE.lstrip("/")
        text = path.read_text()
        service = blocks("Install", "toml")[0].replace("daemon-PUT-20-RANDOM-LETTERS-HERE", CLIENT_ID)
        begin, end = text.index("[service]"), text.index("# --- Areas")
        text = f"{text[:begin]}{service}\n{text[end:]}\n{MORE}"
        path.write_text(text.replace("\ntime_zone", '\nshifts = ["06:00", "18:00"]\ntime_zone', 1))

    def _main_pid(self) -> int:
        return int(self.machine.must("systemctl show motewatch -p MainPID --value").strip() or 0)

    def _active(self) -> bool:
        return self.machine.run("systemctl is-active motewatch").text.strip() == "active"

    def _newest_backup(self, folder: str = "/var/backups/motewatch") -> str:
        return self.machine.run(f"ls {folder} | grep ^mirrenfeld- | tail -1").text.strip()

    def _failed_backups(self) -> str:
        return self.machine.run(f"{AS} audit {SITE} | grep backup-failed | tail -1").text

    def _archived(self) -> bool:
        """Messages, samples and seals are in files, and none of their rows is left in the journal."""
        asked = "SELECT count(DISTINCT kind), count(*) - count(left_us) FROM archives"
        said = self.machine.run(
            'runuser -u motewatch -- python3 -c "import sqlite3; print(*sqlite3.connect('
            f"'file:/var/lib/motewatch/motewatch.db?mode=ro', uri=True).execute('{asked}').fetchone())\""
        )
        return said.text.split() == ["3", "0"]

    def _messages_come(self) -> None:
        """A sample that began after now is on record within two minutes."""
        since = datetime.now(UTC).strftime("%Y-%m-%dT%H:%M:%SZ")
        self.machine.wait(
            lambda: len(self.machine.run(f"{AS} samples {SITE} --since {since} --format csv").text.splitlines()) > 3,
            "samples of messages that came since",
            180,
        )

    def _reports(self) -> str:
        """Each report that was kept can be made again from the record, and is the same."""
        return self.machine.must(
            "cd /var/lib/motewatch/reports\nfor each in *.json; do\n"
            f"    {AS} check-report {SITE} ${{each%.json}} >/root/said || {{ cat /root/said; exit 1; }}\ndone\n"
            'ls | wc -l | sed "s/$/ reports, all as the record has them/"'
        )

    def _differences(self) -> str:
        said = self.machine.must(f"{AS} alarms {SITE} --format csv")
        if "service/replay" in said:
            raise DrillError(f"the replay differs from the record:\n{said}")
        return "no difference of replay\n"


def main() -> int:
    """Run all steps; returns the exit status."""
    parser = argparse.ArgumentParser(description=__doc__, formatter_class=argparse.RawDescriptionHelpFormatter)
    parser.add_argument("--folder", type=Path, required=True, help="where the machine and its base may lie")
    parser.add_argument("--log", type=Path, help="write what is shown into this file, too")
    parser.add_argument("--keep", action="store_true", help="leave the machine's folder as it is at the end")
    given = parser.parse_args()
    given.folder.mkdir(parents=True, exist_ok=True)
    log = Log(given.log)
    machine = Machine(given.folder / "machine", given.folder / "base")
    drill = Drill(machine, log)
    status = 0
    try:
        for number, (name, deed) in enumerate(drill.steps()):
            log.say(f"{name} ...")
            try:
                told = deed().strip()
            except DrillError as error:
                if number < NEEDED:
                    raise
                log.say(f"    FAILED: {error}")
                status = 1
            else:
                log.say("    done" + "".join(f"\n        {line}" for line in told.splitlines()))
    except (DrillError, subprocess.SubprocessError, OSError) as error:
        log.say(f"FAILED: {error}")
        status = 1
    finally:
        if drill.playing is not None and drill.playing.poll() is None:
            drill.playing.terminate()
        machine.stop()
        drill.mails.shutdown()
        drill.mails.server_close()
    if not given.keep:
        shutil.rmtree(machine.folder, ignore_errors=True)
    return status


if __name__ == "__main__":
    sys.exit(main())

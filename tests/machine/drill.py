"""The drill: installs by `deploy/docs/install.md`, block by block, on a new machine, and tries what it must do.

    python tests/machine/drill.py --folder /var/tmp/drill [--log FILE] [--keep]

By hand, as root, with `debootstrap` and `systemd-container`; it needs Debian's and Python's package servers, some 4 GB
for the time it runs, about a quarter of an hour, and the ports 1883, 8883, 8428 and 2525 free. Each step says what it
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

sys.path.insert(0, str(Path(__file__).resolve().parent.parent))
from machine.machine import DrillError, Machine

ROOT: Final = Path(__file__).resolve().parents[2]
PAGE: Final = ROOT / "deploy" / "docs" / "install.md"
SITE: Final = "/etc/motewatch/site.toml"
AS: Final = "runuser -u motewatch -- motewatch"
MAIL_PORT: Final = 2525
NEW: Final = "0.1.1"
NEEDED: Final = 3
"""Without the first steps the others mean nothing; after a later one that fails they are still worth trying."""
TRIAL: Final = """
user trial
topic write motewatch/v1/SITE/counts/+
topic write motewatch/v1/SITE/presence/+
"""
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
CLIENT_ID: Final = "daemon-kzqvwhxjtrnbmcpdlsfg"


def blocks(section: str, kind: str = "sh") -> list[str]:
    """The fenced blocks of a section of the page, in order, without the depth of their list."""
    text = PAGE.read_text().split(f"\n## {section}\n")[1].split("\n## ")[0]
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
        yield "a backup and a report (PDF) are made by the hardened unit", self.by_the_clock
        yield "the log in the journal of systemd", self.journald
        yield "upgrade, while messages come", self.upgrade
        yield "back, and back with the backup", self.back
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
        return self.machine.must("systemctl --version | head -1; systemd-detect-virt; python3 --version 2>&1 || true")

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
        """The demo's four minutes, by an account that speaks for all sensors, and a display that hears alarms."""
        self.machine.must(
            f"cp /etc/mosquitto/motewatch/acl /root/acl.before\n"
            f"echo '{TRIAL.replace('SITE', self.site)}' >>/etc/mosquitto/motewatch/acl\n"
            "openssl rand -hex 20 >/root/passwords/trial\n"
            'mosquitto_passwd -b /etc/mosquitto/motewatch/passwd trial "$(cat /root/passwords/trial)"\n'
            "chown root:mosquitto /etc/mosquitto/motewatch/*; chmod 640 /etc/mosquitto/motewatch/*\n"
            "systemctl reload mosquitto"
        )
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
                "--ca-file /etc/mosquitto/motewatch/ca.crt --username trial --password-file /root/passwords/trial "
                f"{SITE} /root/motewatch/config/demo-scenario.toml --seconds 3600"
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
            f"{AS} check {SITE}\nsystemctl reload motewatch"
        )
        self.machine.wait(self._backed_up, "the backup by the clock", 240)
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
        return f"{said}{verified}{self._differences()}"

    def restart(self) -> str:
        """Power off and on: everything must come by itself."""
        if self.playing is not None:
            self.machine.run("pkill -INT -f motewatch-simulator")
            self.playing.wait(60)
        self.machine.must(
            "cp /root/acl.before /etc/mosquitto/motewatch/acl; chown root:mosquitto /etc/mosquitto/motewatch/acl"
        )
        self.machine.must("mosquitto_passwd -D /etc/mosquitto/motewatch/passwd trial")
        self.machine.must("chown root:mosquitto /etc/mosquitto/motewatch/*; chmod 640 /etc/mosquitto/motewatch/*")
        self.machine.stop()
        self.machine.start()
        self.machine.wait(self._active, "the service after the machine's start", 120)
        return self.machine.run(f"systemctl is-active motewatch mosquitto victoria-metrics; {AS} status {SITE}").text

    # ---- helpers ----------------------------------------------------------------------------------------------------

    def _block(self, block: str) -> None:
        """Blocks share what they set, as in one shell: by a file of their variables."""
        script = (
            "set -eo pipefail; cd /root/motewatch; [[ -f /root/.state ]] && source /root/.state\n"
            f"{block}\ndeclare -p site sensors name 2>/dev/null >/root/.state || true\n"
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

    def _backed_up(self) -> bool:
        return bool(
            self.machine.run("ls -d /var/backups/motewatch/mirrenfeld-*T* 2>/dev/null | grep -v part").text.strip()
        )

    def _messages_come(self) -> None:
        """A sample that began after now is on record within two minutes."""
        since = datetime.now(UTC).strftime("%Y-%m-%dT%H:%M:%SZ")
        self.machine.wait(
            lambda: len(self.machine.run(f"{AS} samples {SITE} --since {since} --format csv").text.splitlines()) > 3,
            "samples of messages that came since",
            180,
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

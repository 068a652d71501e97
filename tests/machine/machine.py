"""A new Debian machine to install on: a root by debootstrap, with systemd as its first process (systemd-nspawn).

Rules: needs root, and `debootstrap` and `systemd-container` from Debian. It shares the host's network, so its ports
must be free there, and the kernel; all else is its own. `stop` ends what was started and takes its control groups away
again. Commands run in it as root with an environment of their own. It must know nothing of motewatch.
"""

from __future__ import annotations

import contextlib
import shutil
import subprocess
import time
from collections.abc import Callable
from dataclasses import dataclass, field
from pathlib import Path
from typing import Final

BUNDLE: Final = Path("/etc/ssl/certs/ca-certificates.crt")
SOURCES: Final = """\
deb http://deb.debian.org/debian bookworm main
deb http://deb.debian.org/debian bookworm-updates main
deb http://deb.debian.org/debian-security bookworm-security main
"""
ENVIRONMENT: Final = {
    "HOME": "/root",
    "LANG": "C.UTF-8",
    "PATH": "/usr/local/sbin:/usr/local/bin:/usr/sbin:/usr/bin:/sbin:/bin",
    "DEBIAN_FRONTEND": "noninteractive",
    "PIP_CERT": str(BUNDLE),
    "PYTHONUNBUFFERED": "1",
}
HIERARCHIES: Final = Path("/sys/fs/cgroup")


class DrillError(Exception):
    """A step that did not do what it should, with what it said."""


@dataclass
class Said:
    """What a command wrote (both streams, in order) and its status."""

    status: int
    text: str


@dataclass
class Machine:
    """A machine in that folder; `base` is a root made before, or where one is made and kept."""

    folder: Path
    base: Path
    name: str = "fresh"
    console: Path = field(init=False)
    _boot: subprocess.Popen[bytes] | None = None
    _leader: int = 0

    def __post_init__(self) -> None:
        self.console = self.folder.with_suffix(".console")

    def make(self) -> None:
        """Lay the root: Debian 12 with an init, and nothing of ours."""
        if not self.base.exists():
            making = self.base.with_suffix(".part")
            shutil.rmtree(making, ignore_errors=True)
            include = "--include=systemd,systemd-sysv,dbus,ca-certificates"
            url = "http://deb.debian.org/debian"
            _must(subprocess.run(["debootstrap", include, "bookworm", making, url], capture_output=True, text=True))
            making.rename(self.base)
        subprocess.run(["cp", "-a", self.base, self.folder], check=True)
        (self.folder / "etc/apt/sources.list").write_text(SOURCES)
        shutil.copy("/etc/resolv.conf", self.folder / "etc/resolv.conf")
        # A house whose network has a certificate authority of its own has it in this store.
        shutil.copy(BUNDLE, self.folder / str(BUNDLE).lstrip("/"))
        (self.folder / "etc/hostname").write_text(f"{self.name}\n")
        (self.folder / "etc/hosts").write_text(f"127.0.0.1 localhost {self.name}\n")

    def start(self) -> None:
        """Boot it, and wait until its init says that all has started."""
        with self.console.open("wb") as console:
            self._boot = subprocess.Popen(
                ["systemd-nspawn", "-D", self.folder, "--register=no", "--keep-unit", f"--machine={self.name}",
                 "--resolv-conf=off", "--timezone=off", "--console=pipe", "--boot"],
                stdin=subprocess.DEVNULL, stdout=console, stderr=subprocess.STDOUT,
            )  # fmt: skip
        self.wait(self._found_leader, "the first process of the machine", 60)
        self.wait(
            lambda: self.run("systemctl is-system-running").text.strip() in ("running", "degraded"), "the start", 120
        )

    def _found_leader(self) -> bool:
        assert self._boot is not None
        if self._boot.poll() is not None:
            raise DrillError(f"the machine ended at once: {self.console.read_text()[-2000:]}")
        children = Path(f"/proc/{self._boot.pid}/task/{self._boot.pid}/children").read_text().split()
        for child in children:
            with contextlib.suppress(OSError):
                if Path(f"/proc/{child}/comm").read_text().strip() == "systemd":
                    self._leader = int(child)
                    return True
        return False

    def command(self, script: str) -> list[str]:
        """The command on the host that runs a script in the machine, in the folder /root."""
        inside = ["env", "-i", *(f"{key}={value}" for key, value in ENVIRONMENT.items())]
        enter = ["nsenter", "--target", str(self._leader), "--mount", "--uts", "--ipc", "--pid", "--cgroup"]
        return ["env", "--chdir=/", *enter, *inside, "bash", "-c", f"set -e; cd /root\n{script}"]

    def run(self, script: str, timeout_s: float = 900.0) -> Said:
        """Run it to its end."""
        done = subprocess.run(
            self.command(script),
            stdin=subprocess.DEVNULL,
            stdout=subprocess.PIPE,
            stderr=subprocess.STDOUT,
            text=True,
            errors="replace",
            timeout=timeout_s,
        )
        return Said(done.returncode, done.stdout)

    def must(self, script: str, timeout_s: float = 900.0) -> str:
        """Run it; a status other than 0 is an error with all that it said."""
        said = self.run(script, timeout_s)
        if said.status != 0:
            raise DrillError(f"status {said.status} of:\n{script}\n{said.text}")
        return said.text

    def wait(self, condition: Callable[[], bool], what: str, timeout_s: float) -> None:
        """Until the condition holds."""
        end_s = time.monotonic() + timeout_s
        while not condition():
            if time.monotonic() > end_s:
                raise DrillError(f"waited {timeout_s:g} s in vain for {what}")
            time.sleep(0.5)

    def stop(self) -> None:
        """Shut it down, hard if it does not want to, and leave no control group behind."""
        if self._boot is None:
            return
        if self._leader and self._boot.poll() is None:
            with contextlib.suppress(subprocess.TimeoutExpired):
                self.run("systemctl poweroff", 30)
        try:
            self._boot.wait(60)
        except subprocess.TimeoutExpired:
            self._boot.kill()
            self._boot.wait()
        for hierarchy in HIERARCHIES.iterdir():
            for ours in ("payload", "supervisor"):
                if (hierarchy / ours / "cgroup.procs").exists():
                    for group in sorted((hierarchy / ours).rglob("*/"), key=lambda path: -len(path.parts)):
                        with contextlib.suppress(OSError):
                            group.rmdir()
                    with contextlib.suppress(OSError):
                        (hierarchy / ours).rmdir()


def _must(done: subprocess.CompletedProcess[str]) -> None:
    if done.returncode != 0:
        raise DrillError(f"{done.args}: {done.stdout[-2000:]}{done.stderr[-2000:]}")

"""The steps of `deploy/Dockerfile`, done by `chroot` in clean roots where there is no container engine.

    python tests/machine/image.py --folder /var/tmp/image

By hand, as root, with `debootstrap`; the root of `drill.py` serves too (give the same folder). It knows the
instructions that our file uses and refuses any other: FROM, WORKDIR, COPY, RUN, USER; of the rest (VOLUME, HEALTHCHECK
and so on) it only says that they are not tried. In place of the image of Python it takes Debian 12 with its own Python
3.11: layers, the engine's isolation and the base image itself are **not** shown. At the end the program is run as the
file says.
"""

from __future__ import annotations

import argparse
import re
import shutil
import subprocess
import sys
import time
from pathlib import Path
from typing import Final

# In place of this folder, whose `machine.py` would be taken for the package.
sys.path[0] = str(Path(__file__).resolve().parent.parent)
from machine.machine import ENVIRONMENT, SOURCES, Machine  # noqa: E402

ROOT: Final = Path(__file__).resolve().parents[2]
SHOWN_ONLY: Final = ("VOLUME", "STOPSIGNAL", "HEALTHCHECK", "ENTRYPOINT", "CMD")
STAND_IN: Final = "python:3.11-slim-bookworm"


def instructions(text: str) -> list[tuple[str, str]]:
    """Each instruction of a Dockerfile with its words, lines joined, without comments."""
    joined = re.sub(r"\\\n\s*", " ", re.sub(r"^#.*\n", "", text, flags=re.MULTILINE))
    return [(words[0], words[1]) for line in joined.splitlines() if (words := line.split(" ", 1)) and line.strip()]


class Image:
    """A root in which instructions are carried out."""

    def __init__(self, root: Path) -> None:
        self.root = root
        self.workdir = "/"
        self.user = "root"

    def run(self, script: str) -> str:
        """In the root, as its user. The image of Python has pip in its path and a `python`."""
        inside = ["env", "-i", *(f"{key}={value}" for key, value in ENVIRONMENT.items())]
        become = (
            [] if self.user == "root" else ["setpriv", f"--reuid={self.user}", f"--regid={self.user}", "--init-groups"]
        )
        command = ["chroot", str(self.root), *inside, *become, "sh", "-ec", f"cd {self.workdir}\n{script}"]
        done = subprocess.run(
            command, stdin=subprocess.DEVNULL, stdout=subprocess.PIPE, stderr=subprocess.STDOUT, text=True
        )
        if done.returncode != 0:
            raise SystemExit(f"status {done.returncode} of RUN {script}\n{done.stdout}")
        return done.stdout

    def copy(self, words: str, stages: dict[str, Image]) -> None:
        """COPY [--from=STAGE] SOURCE... TARGET"""
        given = words.split()
        base = ROOT
        if given[0].startswith("--from="):
            base = stages[given.pop(0).removeprefix("--from=")].root
        *sources, target = given
        place = self.root / (target if target.startswith("/") else f"{self.workdir}/{target}").lstrip("/")
        for source in sources:
            origin = base / source.lstrip("/")
            into = place / origin.name if target.endswith("/") else place
            into.parent.mkdir(parents=True, exist_ok=True)
            if origin.is_dir():
                shutil.copytree(
                    origin, into, symlinks=True, dirs_exist_ok=True, ignore=shutil.ignore_patterns("__pycache__")
                )
            else:
                shutil.copy2(origin, into)


def main() -> int:
    """Carry out the file; returns the exit status."""
    parser = argparse.ArgumentParser(description=__doc__, formatter_class=argparse.RawDescriptionHelpFormatter)
    parser.add_argument("--folder", type=Path, required=True, help="where the roots may lie")
    folder: Path = parser.parse_args().folder
    folder.mkdir(parents=True, exist_ok=True)
    began_s = time.monotonic()
    stages: dict[str, Image] = {}
    roots: list[Path] = []
    image: Image | None = None
    try:
        for name, words in instructions((ROOT / "deploy" / "Dockerfile").read_text()):
            print(f"[{time.monotonic() - began_s:6.1f} s] {name} {words[:110]}", flush=True)
            if name == "FROM":
                base, _, stage = words.partition(" AS ")
                assert base == STAND_IN, base
                machine = Machine(folder / f"image-{len(roots)}", folder / "base")
                machine.make()
                roots.append(machine.folder)
                (machine.folder / "etc/apt/sources.list").write_text(SOURCES)
                image = Image(machine.folder)
                image.run(
                    "apt-get update -q && apt-get install -y -q --no-install-recommends python3 python3-venv "
                    "&& ln -s python3 /usr/bin/python"
                )
                stages[stage or "last"] = image
                continue
            assert image is not None
            if name == "WORKDIR":
                image.workdir = words
                (image.root / words.lstrip("/")).mkdir(parents=True, exist_ok=True)
            elif name == "COPY":
                image.copy(words, stages)
            elif name == "RUN":
                image.run(words)
            elif name == "USER":
                image.user = words
            elif name in SHOWN_ONLY:
                print("           not tried")
            else:
                raise SystemExit(f"{name}: this program does not know that instruction")
        assert image is not None
        site = image.root / "etc/motewatch/site.toml"
        site.parent.mkdir(parents=True, exist_ok=True)
        shutil.copy(ROOT / "config" / "demo-site.toml", site)
        said = image.run(
            "/opt/motewatch/bin/motewatch --version; /opt/motewatch/bin/motewatch check /etc/motewatch/site.toml; id"
        )
        places = "/etc /opt/motewatch /var/lib/motewatch /var/backups/motewatch"
        writable = image.run(f"for d in {places}; do test -w $d && echo $d; done; true")
        size = subprocess.run(["du", "-sm", image.root / "opt/motewatch"], check=True, capture_output=True, text=True)
        print(f"{said}writable for its user: {writable.split()}\n/opt/motewatch: {size.stdout.split()[0]} MB")
    finally:
        for root in roots:
            shutil.rmtree(root, ignore_errors=True)
    return 0


if __name__ == "__main__":
    sys.exit(main())

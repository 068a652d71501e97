#!/usr/bin/env python3
"""The libraries that an installation brings along: bounds, lock file, licences, known holes, bill of materials.

    deploy/supply.py check [--environment PYTHON] [--offline]    what CI runs; status 1 where something must be mended
    deploy/supply.py lock                                        write deploy/requirements.lock anew (needs uv)
    deploy/supply.py bill --environment PYTHON FILE              the bill of materials of an environment, as CycloneDX

Rules: `pyproject.toml` says what fits, `deploy/requirements.lock` what is installed: each version with the hashes of
its files, for every platform. Both must agree. A hole known to `deploy/known-holes.toml` or to the advisory database
fails the check; a database that cannot be asked does not, and is told so loudly that nobody takes silence for a clean
bill.
It must not install anything, and it asks registries through their own clients alone. Needs the extra `lint`.
"""

from __future__ import annotations

import argparse
import json
import re
import subprocess
import sys
import tomllib
from collections.abc import Iterator
from dataclasses import dataclass, field
from pathlib import Path
from typing import Any, Final

from packaging.requirements import Requirement
from packaging.specifiers import SpecifierSet
from packaging.utils import canonicalize_name
from packaging.version import Version

ROOT: Final = Path(__file__).resolve().parents[1]
UNBOUNDED: Final = {"tzdata": "time zones follow governments: the newest release is the right one"}
"""Without an upper bound, and why."""
ALLOWED: Final = frozenset(
    {"0BSD", "Apache-2.0", "BSD-2-Clause", "BSD-3-Clause", "CC0-1.0", "ISC", "LGPL-3.0-or-later", "MIT", "MIT-0"}
    | {"MPL-2.0", "PSF-2.0", "Zlib"}
)
"""Licences (SPDX) of libraries that may be installed beside ours. The LGPL and the MPL ask something of who changes
those libraries, which we do not."""
CLASSIFIED: Final = {
    "Apache Software License": "Apache-2.0",
    "BSD License": "BSD-3-Clause",
    "GNU Lesser General Public License v3 or later (LGPLv3+)": "LGPL-3.0-or-later",
    "ISC License (ISCL)": "ISC",
    "MIT License": "MIT",
    "Mozilla Public License 2.0 (MPL 2.0)": "MPL-2.0",
    "Python Software Foundation License": "PSF-2.0",
}
"""What older packages say in place of an SPDX expression. "BSD License" is of two or three clauses: both are fine."""
ASK_S: Final = 45.0
HEAD: Final = """\
# The libraries of an installation: exact versions with the hashes of their files, for every platform and Python 3.11
# and later. Made from pyproject.toml by `deploy/supply.py lock`; do not edit. deploy/install and deploy/Dockerfile
# install from it and refuse whatever has another hash.
"""
LIST: Final = """
import importlib.metadata as m, json
print(json.dumps([[d.name, d.version, d.metadata.get("License-Expression"), d.metadata.get("License"),
                   d.metadata.get_all("Classifier") or []] for d in m.distributions()]))
"""


@dataclass
class Pin:
    """One line of the lock: a version for certain machines, with its hashes."""

    name: str
    version: Version
    requirement: Requirement
    hashes: list[str] = field(default_factory=list)


@dataclass
class Findings:
    """What must be mended, and what could not be looked at."""

    wrong: list[str] = field(default_factory=list)
    unseen: list[str] = field(default_factory=list)


def stated(root: Path) -> Iterator[tuple[str, Requirement]]:
    """Every dependency of pyproject.toml, with the list in which it stands."""
    project = tomllib.loads((root / "pyproject.toml").read_text())["project"]
    lists = {"dependencies": project["dependencies"], **project.get("optional-dependencies", {})}
    for name, entries in lists.items():
        for entry in entries:
            yield name, Requirement(entry)


def read_lock(path: Path) -> list[Pin]:
    """The pins of the lock file."""
    pins: list[Pin] = []
    text = re.sub(r"^\s*#.*$", "", path.read_text(), flags=re.MULTILINE).replace("\\\n", " ")
    for line in filter(None, map(str.strip, text.splitlines())):
        words, hashes = re.split(r"\s+--hash=", line)[0], re.findall(r"--hash=(\S+)", line)
        requirement = Requirement(words)
        exact = [each.version for each in requirement.specifier if each.operator == "=="]
        if len(exact) != 1:
            raise SystemExit(f"{path}: '{words}' names no single version; make the file anew: deploy/supply.py lock")
        pins.append(Pin(canonicalize_name(requirement.name), Version(exact[0]), requirement, hashes))
    return pins


def check_bounds(root: Path, found: Findings) -> None:
    """From a release that is known to do, up to the next that may break."""
    for where, requirement in stated(root):
        if canonicalize_name(requirement.name) == "motewatch":
            continue
        operators = {each.operator for each in requirement.specifier}
        if not operators & {">=", "==", "~="}:
            found.wrong.append(
                f"pyproject.toml, {where}: {requirement} has no lower bound; write >= the oldest that does"
            )
        if not operators & {"<", "<=", "==", "~="} and requirement.name not in UNBOUNDED:
            found.wrong.append(
                f"pyproject.toml, {where}: {requirement} has no upper bound; write < the next major release"
            )


def check_lock(root: Path, pins: list[Pin], found: Findings) -> None:
    """The lock has, for this machine, one fitting version of whatever pyproject.toml asks for, and hashes for all."""
    again = "make it anew: deploy/supply.py lock"
    for pin in pins:
        if not pin.hashes or not all(re.fullmatch(r"sha256:[0-9a-f]{64}", each) for each in pin.hashes):
            found.wrong.append(f"requirements.lock: {pin.name} {pin.version} has no sha256 hashes; {again}")
    here = {pin.name: pin for pin in pins if pin.requirement.marker is None or pin.requirement.marker.evaluate()}
    for where, requirement in stated(root):
        # With the library of archive files: an installation must be able to keep what `[retention]` moves.
        if where not in ("dependencies", "files") or (requirement.marker and not requirement.marker.evaluate()):
            continue
        pinned = here.get(canonicalize_name(requirement.name))
        if pinned is None:
            found.wrong.append(f"requirements.lock: {requirement.name} is missing; {again}")
        elif pinned.version not in requirement.specifier:
            found.wrong.append(
                f"requirements.lock: {pinned.name} {pinned.version} is not {requirement.specifier}; {again}"
            )


def allowed(expression: str) -> bool:
    """Whether an SPDX expression can be met by allowed licences alone."""
    words = re.findall(r"[()]|[^\s()]+", expression)

    def either() -> bool:
        met = both()
        while words and words[0].upper() == "OR":
            words.pop(0)
            met = both() or met
        return met

    def both() -> bool:
        met = one()
        while words and words[0].upper() == "AND":
            words.pop(0)
            met = one() and met
        return met

    def one() -> bool:
        word = words.pop(0) if words else ")"
        if word == "(":
            met = either()
            return bool(words) and words.pop(0) == ")" and met
        if words and words[0].upper() == "WITH":
            del words[:2]
        return word in ALLOWED

    return either() and not words


def licence_of(expression: str | None, text: str | None, classifiers: list[str]) -> str:
    """What a package says of its licence, as an SPDX expression where it can be made out."""
    if expression:
        return expression
    named = [each.rpartition(" :: ")[2] for each in classifiers if each.startswith("License :: ")]
    if text and allowed(text):
        return text
    return (
        " OR ".join(CLASSIFIED.get(each, each) for each in named) or (text or "").split("\n")[0][:60] or "none stated"
    )


def installed(python: str) -> list[tuple[str, Version, str]]:
    """Name, version and licence of all that an environment holds."""
    listed = json.loads(subprocess.run([python, "-c", LIST], check=True, capture_output=True, text=True).stdout)
    return [(canonicalize_name(n), Version(v), licence_of(e, t, c)) for n, v, e, t, c in listed]


def check_environment(python: str, pins: list[Pin], found: Findings) -> int:
    """The environment holds what the lock says, under licences that we take. Returns how many libraries it holds."""
    pinned = {
        pin.name: pin.version for pin in pins if pin.requirement.marker is None or pin.requirement.marker.evaluate()
    }
    holds = [each for each in installed(python) if each[0] not in ("motewatch", "pip", "setuptools")]
    for name, version, licence in holds:
        if pinned.get(name) != version:
            found.wrong.append(f"{name} {version} is installed and not in requirements.lock")
        if not allowed(licence):
            found.wrong.append(
                f"{name} {version}: licence '{licence}' is not on the list in deploy/supply.py; have it judged first"
            )
    found.wrong += [
        f"{name} {pinned[name]} is locked and not installed" for name in pinned.keys() - {e[0] for e in holds}
    ]
    return len(holds)


def check_known_holes(path: Path, pins: list[Pin], found: Findings) -> int:
    """No pin is a release that the file names. Returns how many entries the file has."""
    holes = tomllib.loads(path.read_text())["holes"]
    for hole in holes:
        affected = SpecifierSet(hole["affected"], prereleases=True)
        for pin in pins:
            if pin.name == canonicalize_name(hole["package"]) and pin.version in affected:
                found.wrong.append(
                    f"{pin.name} {pin.version}: {hole['id']}, {hole['what']}; take one that is not {affected}"
                )
    return len(holes)


def ask_database(lock: Path, found: Findings, command: list[str]) -> int:
    """Ask the database of holes. Returns of how many pins it told something; whatever it did not is `unseen`."""
    asked = [
        *command,
        "--requirement",
        str(lock),
        "--no-deps",
        "--disable-pip",
        "--format",
        "json",
        "--progress-spinner",
        "off",
    ]
    try:
        done = subprocess.run(asked, capture_output=True, text=True, timeout=ASK_S, stdin=subprocess.DEVNULL)
        told: list[dict[str, Any]] = json.loads(done.stdout)["dependencies"]
    except (OSError, subprocess.TimeoutExpired, ValueError, KeyError) as error:
        found.unseen.append(f"the database of holes could not be asked ({type(error).__name__})")
        return 0
    skipped = [each["name"] for each in told if "skip_reason" in each]
    if skipped:
        found.unseen.append(f"the database of holes told nothing of {len(skipped)} of {len(told)} libraries")
    for each in told:
        for hole in each.get("vulns", ()):
            mended = ", ".join(hole.get("fix_versions", ())) or "no release yet"
            found.wrong.append(f"{each['name']} {each['version']}: {hole['id']}; mended in {mended}")
    return len(told) - len(skipped)


def check(root: Path, environment: str | None, offline: bool, holes: Path, auditor: list[str]) -> int:
    """All checks; prints what was found and returns the status."""
    found = Findings()
    lock = root / "deploy" / "requirements.lock"
    pins = read_lock(lock)
    check_bounds(root, found)
    check_lock(root, pins, found)
    entries = check_known_holes(holes, pins, found)
    seen = 0
    if offline:
        found.unseen.append("the database of holes was not asked (--offline)")
    else:
        seen = ask_database(lock, found, auditor)
    held = check_environment(environment, pins, found) if environment else 0
    print(
        f"{len(pins)} libraries locked; {held} installed and their licences read; {entries} known holes looked for; ",
        end="",
    )
    print(f"the database told of {seen}")
    for each in found.unseen:
        print(
            f"\n!!! NOT CHECKED: {each}.\n"
            "!!! That no hole is told here says nothing of those that became known lately.\n"
        )
    for each in found.wrong:
        print(f"WRONG: {each}")
    return 1 if found.wrong else 0


def write_lock(root: Path) -> int:
    """Resolve anew, newest fitting versions."""
    lock = root / "deploy" / "requirements.lock"
    done = subprocess.run(
        [sys.executable, "-m", "uv", "pip", "compile", "pyproject.toml", "--extra", "files", "--universal",
         "--python-version", "3.11", "--generate-hashes", "--no-header", "--no-annotate", "--upgrade", "--quiet"],
        cwd=root, check=True, stdout=subprocess.PIPE, text=True,
    )  # fmt: skip
    lock.write_text(HEAD + done.stdout)
    print(f"{lock}: {len(read_lock(lock))} libraries")
    return 0


def write_bill(environment: str, path: Path) -> int:
    """What is in an environment, as CycloneDX JSON that is the same for the same content."""
    tool = [sys.executable, "-m", "cyclonedx_py", "environment", environment]
    subprocess.run([*tool, "--output-reproducible", "--of", "JSON", "-o", str(path)], check=True)
    print(f"{path}: {len(json.loads(path.read_text())['components'])} components")
    return 0


def main(arguments: list[str] | None = None) -> int:
    """The command line; returns the exit status."""
    parser = argparse.ArgumentParser(description=__doc__, formatter_class=argparse.RawDescriptionHelpFormatter)
    parser.add_argument("--root", type=Path, default=ROOT, help="the repository")
    commands = parser.add_subparsers(dest="command", required=True)
    checks = commands.add_parser("check")
    checks.add_argument("--environment", help="the Python of an environment that was installed by the lock")
    checks.add_argument("--offline", action="store_true", help="do not ask the database of holes")
    checks.add_argument("--holes", type=Path, default=ROOT / "deploy" / "known-holes.toml")
    checks.add_argument("--auditor", default=f"{sys.executable} -m pip_audit", help="who asks the database")
    commands.add_parser("lock")
    bill = commands.add_parser("bill")
    bill.add_argument("--environment", required=True)
    bill.add_argument("file", type=Path)
    given = parser.parse_args(arguments)
    if given.command == "lock":
        return write_lock(given.root)
    if given.command == "bill":
        return write_bill(given.environment, given.file)
    return check(given.root, given.environment, given.offline, given.holes, given.auditor.split())


if __name__ == "__main__":
    sys.exit(main())

"""The check of the libraries that are installed with us: what it must find, on small repositories of the test's own."""

from __future__ import annotations

import json
import shlex
import subprocess
import sys
from pathlib import Path
from typing import Final

import pytest

DEPLOY: Final = Path(__file__).parents[3] / "deploy"
SUPPLY: Final = DEPLOY / "supply.py"
HASH: Final = "sha256:" + "a" * 64
NO_HOLES: Final = "holes = []\n"


def repository(
    folder: Path, dependencies: tuple[str, ...] = ("abc>=1,<2",), lock: str = f"abc==1.4 --hash={HASH}\n"
) -> Path:
    """The two files that the check reads."""
    (folder / "deploy").mkdir()
    (folder / "pyproject.toml").write_text(
        f'[project]\nname = "motewatch"\ndependencies = {json.dumps(dependencies)}\n'
    )
    (folder / "deploy" / "requirements.lock").write_text(lock)
    return folder


def auditor(folder: Path, told: object, before: str = "") -> str:
    """A program that answers as the client of the database does."""
    path = folder / "auditor.py"
    path.write_text(f"import sys\n{before}\nassert '--no-deps' in sys.argv\nprint({json.dumps(told)!r})\nsys.exit(1)\n")
    return shlex.join([sys.executable, str(path)])


def check(root: Path, *options: str | Path, holes: str = NO_HOLES) -> tuple[int, str]:
    """Status and words of the check."""
    (root / "holes.toml").write_text(holes)
    done = subprocess.run(
        [sys.executable, SUPPLY, "--root", root, "check", "--holes", root / "holes.toml", *options],
        capture_output=True,
        text=True,
    )
    assert "Traceback" not in done.stderr, done.stderr
    return done.returncode, done.stdout + done.stderr


def test_what_is_bounded_locked_and_hashed_passes_and_what_was_not_asked_is_told(tmp_path: Path) -> None:
    status, said = check(repository(tmp_path), "--offline")
    assert status == 0, said
    assert "NOT CHECKED: the database of holes was not asked" in said


@pytest.mark.parametrize(
    ("dependency", "said"),
    [
        ("abc<2", "no lower bound"),
        ("abc>=1", "no upper bound"),
        ("abc>=1.5,<2", "abc 1.4 is not"),
        ("xyz>=1,<2", "xyz is missing"),
    ],
)
def test_a_dependency_without_bounds_or_beside_the_lock_is_wrong(tmp_path: Path, dependency: str, said: str) -> None:
    status, words = check(repository(tmp_path, (dependency,)), "--offline")
    assert status == 1
    assert said in words


def test_time_zones_follow_governments(tmp_path: Path) -> None:
    root = repository(tmp_path, ("tzdata>=2025.2",), f"tzdata==2026.6 --hash={HASH}\n")
    assert check(root, "--offline")[0] == 0


@pytest.mark.parametrize("lock", ["abc==1.4\n", "abc==1.4 --hash=md5:00\n", "abc==1.4 --hash=sha256:12\n"])
def test_a_pin_without_a_hash_is_wrong(tmp_path: Path, lock: str) -> None:
    status, said = check(repository(tmp_path, lock=lock), "--offline")
    assert status == 1
    assert "has no sha256 hashes" in said


def test_a_lock_that_pins_nothing_is_refused(tmp_path: Path) -> None:
    status, said = check(repository(tmp_path, lock=f"abc>=1.4 --hash={HASH}\n"), "--offline")
    assert status == 1
    assert "names no single version" in said


@pytest.mark.parametrize(("affected", "bad"), [("<1.5", True), ("<1.4", False), (">=1.4", True), (">1.4", False)])
def test_a_hole_that_is_known_offline_fails_the_check(tmp_path: Path, affected: str, bad: bool) -> None:
    holes = f'[[holes]]\nid = "HOLE-7"\npackage = "ABC"\naffected = "{affected}"\nwhat = "gives all away"\n'
    status, said = check(repository(tmp_path), "--offline", holes=holes)
    assert (status == 1) is bad
    assert ("HOLE-7, gives all away" in said) is bad


def test_a_hole_that_the_database_tells_fails_the_check(tmp_path: Path) -> None:
    told = {
        "dependencies": [
            {"name": "abc", "version": "1.4", "vulns": [{"id": "HOLE-8", "fix_versions": ["1.5"]}]},
        ]
    }
    status, said = check(repository(tmp_path), "--auditor", auditor(tmp_path, told))
    assert status == 1
    assert "abc 1.4: HOLE-8; mended in 1.5" in said
    assert "NOT CHECKED" not in said


@pytest.mark.parametrize("how", ["skips", "garbage", "missing"])
def test_a_database_that_does_not_answer_is_told_loudly_and_fails_nothing(tmp_path: Path, how: str) -> None:
    told = {"dependencies": [{"name": "abc", "skip_reason": "not found"}]}
    asked = {
        "skips": auditor(tmp_path, told),
        "garbage": auditor(tmp_path, told, "print('no route to host')"),
        "missing": "/no/such/program",
    }[how]
    status, said = check(repository(tmp_path), "--auditor", asked)
    assert status == 0
    assert "!!! NOT CHECKED: the database of holes" in said


def environment(folder: Path, *held: tuple[str, str, str]) -> Path:
    """A stand-in for a Python that lists what it holds: (name, version, SPDX expression)."""
    path = folder / "python"
    listed = json.dumps([[name, version, licence, None, []] for name, version, licence in held])
    path.write_text(f"#!/bin/sh\necho '{listed}'\n")
    path.chmod(0o755)
    return path


@pytest.mark.parametrize(
    ("held", "wrong"),
    [
        ((("abc", "1.4", "MIT"),), None),
        ((("abc", "1.4", "BSD-3-Clause AND (0BSD OR Their-Own)"),), None),
        ((("abc", "1.4", "MIT AND Their-Own"),), "licence 'MIT AND Their-Own'"),
        ((("abc", "1.4", "AGPL-3.0-only"),), "licence 'AGPL-3.0-only'"),
        ((("abc", "1.4", ""),), "licence 'none stated'"),
        ((("abc", "1.3", "MIT"),), "abc 1.3 is installed and not in requirements.lock"),
        ((("abc", "1.4", "MIT"), ("more", "1", "MIT")), "more 1 is installed and not in"),
        ((), "abc 1.4 is locked and not installed"),
    ],
)
def test_the_environment_is_held_against_lock_and_licences(
    tmp_path: Path, held: tuple[tuple[str, str, str], ...], wrong: str | None
) -> None:
    status, said = check(repository(tmp_path), "--offline", "--environment", environment(tmp_path, *held))
    assert (status == 1) is (wrong is not None), said
    assert wrong is None or wrong in said


def test_what_is_shipped_passes() -> None:
    done = subprocess.run([sys.executable, SUPPLY, "check", "--offline"], capture_output=True, text=True)
    assert done.returncode == 0, done.stdout + done.stderr

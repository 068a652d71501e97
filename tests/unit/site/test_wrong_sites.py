"""Each way to get a site file wrong: a small file whose name says the mistake, and what must be said of it.

The first lines of each file are `# expect: key | fragment`: the key path exactly, the fragment in message or mend.
Exactly these problems may come, in this order, and no others.
"""

from __future__ import annotations

import re
import subprocess
import sys
from pathlib import Path

import pytest

from motewatch.links.site_file import check_site

FOLDER = Path(__file__).parents[2] / "data" / "wrong-sites"
FILES = sorted(FOLDER.glob("*.toml"))


def expectations(path: Path) -> list[tuple[str, str]]:
    lines = [line for line in path.read_text("utf-8").splitlines() if line.startswith("# expect:")]
    found = []
    for line in lines:
        key, _, fragment = line.removeprefix("# expect:").partition(" | ")
        found.append((key.strip(), fragment.strip()))
    return found


@pytest.mark.parametrize("path", FILES, ids=lambda path: path.stem)
def test_the_mistake_is_told(path: Path) -> None:
    expected = expectations(path)
    problems = check_site(path)
    told = "\n".join(str(problem) for problem in problems)
    assert expected, "the file does not say what it expects"
    assert [problem.key for problem in problems] == [key for key, _ in expected], told
    for problem, (_, fragment) in zip(problems, expected, strict=True):
        assert fragment, "an empty fragment would always be found"
        assert fragment in problem.message or fragment in problem.mend, told
        assert problem.file == str(path)
        assert problem.mend.strip()
        # Tells people, not programmers: nothing of the library's own words.
        assert not re.search(r"pydantic|input_value|Input should|tuple|NoneType", str(problem)), told
    assert "do-not-show-me" not in told


def test_there_are_many_and_all_differ() -> None:
    assert len(FILES) >= 100
    assert len({path.read_text("utf-8").split("\n\n", 1)[-1] + str(expectations(path)) for path in FILES}) == len(FILES)


def test_a_problem_reads_the_same_under_any_hash_seed() -> None:
    program = (
        "import sys; from pathlib import Path; from motewatch.links.site_file import check_site\n"
        "for path in sys.argv[1:]:\n"
        "    for problem in check_site(Path(path)): print(problem)"
    )
    some = [str(path) for path in FILES if path.stem.startswith(("level", "location", "rule"))]
    texts = {
        subprocess.run(
            [sys.executable, "-c", program, *some], env={"PYTHONHASHSEED": seed}, capture_output=True, check=True
        ).stdout
        for seed in ("1", "2")
    }
    assert len(texts) == 1

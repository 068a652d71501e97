"""What is kept of a check of the chain: its result first, the first row that does not fit, and who asked."""

from __future__ import annotations

from pathlib import Path
from typing import Any

import pytest

from motewatch.engine.records import Audited
from motewatch.journal.chain_checks import CHECKED, DETAIL_MAX, SUBJECT, found_words, last_check
from motewatch.journal.journal import Journal
from support.report_record import commit

T0 = 1_780_000_000_000_000
TRAIL: dict[str, Any] = {"rows": 12, "first_us": T0, "last_us": T0, "last_hash": "ab12", "trouble": ""}
RECORD: dict[str, Any] = {"seals": 7, "found_inputs": 0, "found_outputs": 0, "problems": []}


@pytest.mark.parametrize(
    ("lines", "trouble", "said"),
    [
        ([TRAIL, RECORD], "", "holds; audit trail: 12 rows, last hash ab12; record: 7 seals"),
        (
            [TRAIL | {"trouble": "row 13: its hash is another"}, RECORD],
            "",
            "broken; audit trail: first row that does not fit: row 13: its hash is another; 12 rows before it; "
            "record: 7 seals",
        ),
        (
            [TRAIL, RECORD | {"problems": [f"seal {number}" for number in range(7)]}],
            "",
            "broken; audit trail: 12 rows, last hash ab12; record: seal 0; seal 1; seal 2; seal 3; seal 4; 2 more",
        ),
        ([TRAIL], "It took too long.", "not finished; audit trail: 12 rows, last hash ab12; It took too long."),
        ([], "It could not be started.", "not finished; It could not be started."),
        # What was found broken stays broken, however the check ended.
        (
            [TRAIL | {"trouble": "row 1"}],
            "Killed.",
            "broken; audit trail: first row that does not fit: row 1; 12 rows before it; Killed.",
        ),
        ([TRAIL], "", "not finished; audit trail: 12 rows, last hash ab12"),
    ],
)
def test_the_result_stands_first(lines: list[dict[str, Any]], trouble: str, said: str) -> None:
    found = found_words(lines, trouble)
    assert found == said


def test_it_is_never_longer_than_a_row_may_be() -> None:
    assert len(found_words([TRAIL | {"trouble": "x" * 5_000}], "")) == DETAIL_MAX


def test_the_newest_check_is_found_after_a_restart(tmp_path: Path) -> None:
    path = tmp_path / "journal.db"
    with Journal(path, site="testing") as journal:
        assert last_check(journal.store) is None
        commit(journal, [Audited(T0, "mira", CHECKED, SUBJECT, "broken; x")], T0 + 1)
        commit(journal, [Audited(T0 + 5, "vera", CHECKED, SUBJECT, "holds; y")], T0 + 6)
        commit(journal, [Audited(T0 + 9, "vera", "note", "room/fill", "later")], T0 + 10)
    with Journal.open_reader(path) as journal:
        row = last_check(journal.store)
    assert row is not None
    assert (row.by, row.detail, row.at_us) == ("vera", "holds; y", T0 + 5)

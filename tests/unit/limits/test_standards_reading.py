"""A standard's file: adding one is enough, and every mistake in one is told with file, key, value and mend."""

from __future__ import annotations

import tomllib
from collections.abc import Callable
from copy import deepcopy
from importlib.resources import files
from pathlib import Path
from typing import Any

import pytest

from motewatch.limits.errors import StandardFileError, UnknownClassError, UnknownSizeError, UnknownStandardError
from motewatch.limits.standards.library import read_folder, shipped
from motewatch.limits.standards.model import Blank, Evidence, Status, Unit, Use
from motewatch.limits.standards.reading import standard_from, standard_from_text
from motewatch.limits.tables import rows_of
from motewatch.site.models import Occupancy

# An invented standard of a country that does not exist.
INVENTED = """\
format = 1
id = "zz-air-7"
name = "ZZ-AIR 7"
title = "Clean air of Zedland"
edition = "7"
status = "superseded"
status_date = "2020"
replaced_by = "ZZ-AIR 8"
rows_are = "grade"

[[tables]]
id = "limits"
name = "Table Q"
clause = "3.1"
confirmed = ["constructed"]
columns = [{ size_um = 0.5, state = "at-rest" }, { size_um = 0.5, state = "operational" }, { size_um = 5.0 }]
rows = [
    { name = "white", also = ["W"], cells = [100, 1_000, 7], marks = ["", "", "n"] },
    { name = "grey", cells = [10_000, "x", "not-specified"] },
]

[tables.notes]
n = "Only where it is looked for."

[tables.blanks]
x = { means = "not-predetermined", text = "Left to the owner." }

[[facts]]
id = "pressure"
what = "pressure difference"
at_least = 9
unit = "Pa"
"""


def invented() -> dict[str, Any]:
    return tomllib.loads(INVENTED)


def test_adding_a_national_standard_is_adding_a_file(tmp_path: Path) -> None:
    for file in files("motewatch.limits.standards").iterdir():
        if file.name.endswith(".toml"):
            (tmp_path / file.name).write_bytes(file.read_bytes())
    before = read_folder(tmp_path)
    assert before == shipped()
    (tmp_path / "zz-air-7.toml").write_text(INVENTED, "utf-8")
    library = read_folder(tmp_path)
    assert set(library.ids) - set(before.ids) == {"zz-air-7"}
    found = library.find("zz-air 7")
    assert [(row.size_nm, row.cell) for row in rows_of(found, "W")] == [(500, 1_000), (5000, 7)]
    assert rows_of(found, "white")[0].source == "ZZ-AIR 7, Table Q (3.1), grade white, operational"


def test_what_is_read() -> None:
    standard = standard_from_text(INVENTED)
    assert (standard.status, standard.status_date, standard.replaced_by) == (Status.SUPERSEDED, "2020", "ZZ-AIR 8")
    table = standard.table("limits")
    assert (table.use, table.unit, table.names, table.sizes_nm) == (None, Unit.PER_M3, ("white", "grey"), (500, 5000))
    white = table.entry("white", 5000, Occupancy.AT_REST)
    assert (white.cell, white.mark, white.note) == (7, "n", "Only where it is looked for.")
    assert white.evidence == (Evidence.CONSTRUCTED,)
    grey = table.entry("grey", 500)
    assert (grey.cell, grey.mark, grey.note) == (Blank.NOT_PREDETERMINED, "x", "Left to the owner.")
    assert table.entry("grey", 5000).cell is Blank.NOT_SPECIFIED
    assert table.entry("grey", 500, Occupancy.AS_BUILT).cell == 10_000, "as-built is judged as at rest"
    assert standard.fact("pressure").at_least == 9


def test_what_is_not_there() -> None:
    standard = standard_from_text(INVENTED)
    with pytest.raises(UnknownClassError, match="class 'black' is not in ZZ-AIR 7: its grades are white, grey"):
        standard.where("black")
    with pytest.raises(UnknownSizeError, match=r"Table Q has no limits at 0.3 um: its sizes are 0.5, 5 um"):
        standard.table("limits").entry("white", 300)
    with pytest.raises(UnknownClassError, match="class 'black' is not in Table Q"):
        standard.table("limits").entry("black", 500)
    with pytest.raises(UnknownStandardError, match="there is no table in ZZ-AIR 7 'limit': Did you mean"):
        standard.table("limit")
    with pytest.raises(UnknownStandardError, match="there is no fact in ZZ-AIR 7 'x'"):
        standard.fact("x")
    with pytest.raises(UnknownStandardError, match="known are"):
        shipped().get("zz")


def put(*path: str | int, value: Any) -> Callable[[dict[str, Any]], None]:
    def change(data: dict[str, Any]) -> None:
        place: Any = data
        for part in path[:-1]:
            place = place[part]
        place[path[-1]] = value

    return change


WRONG = [
    (put("colour", value="red"), "colour", '"red"', "unknown key"),
    (put("status", value="dead"), "status", '"dead"', "must be one of"),
    (put("status_date", value="last year"), "status_date", '"last year"', "right form"),
    (put("format", value=2), "format", "2", "must be 1"),
    (put("id", value="ZZ AIR"), "id", '"ZZ AIR"', "lower case"),
    (put("tables", 0, "unit", value="per-l"), "tables[0].unit", '"per-l"', "must be one of"),
    (put("tables", 0, "columns", 0, "size_um", value=0), "tables[0].columns[0].size_um", "0", "greater than"),
    (put("tables", 0, "columns", 0, value={"size_um": 5.0}), "tables[0].columns[2]", "", "there already"),
    (put("tables", 0, "rows", 0, "cells", value=[1, 2]), "tables[0].rows[0].cells", "[1, 2]", "must have 3 entries"),
    (put("tables", 0, "rows", 0, "cells", 1, value="many"), "tables[0].rows[0].cells[1]", '"many"', "neither a number"),
    (put("tables", 0, "rows", 0, "cells", 1, value=-1), "tables[0].rows[0].cells[1]", "-1", "number from 0"),
    (put("tables", 0, "rows", 0, "cells", 1, value=True), "tables[0].rows[0].cells[1]", "true", "must be a number or"),
    (put("tables", 0, "rows", 0, "cells", 1, value=float("nan")), "tables[0].rows[0].cells[1]", "nan", "number from 0"),
    (put("tables", 0, "rows", 0, "marks", value=["n"]), "tables[0].rows[0].marks", '["n"]', "must have 3 entries"),
    (put("tables", 0, "rows", 0, "marks", 2, value="m"), "tables[0].rows[0].marks[2]", '"m"', "has no note"),
    (put("tables", 0, "rows", 1, "name", value="W"), "tables[0].rows[1].name", '"W"', "rows[0] of this table"),
    (put("tables", 0, "blanks", "x", "means", value="none"), "tables[0].blanks.x.means", '"none"', "must be one of"),
    (put("tables", 0, "confirmed", value=["surely"]), "tables[0].confirmed[0]", '"surely"', "must be one of"),
    (put("facts", 0, value={"id": "f", "what": "w"}), "facts[0]", "", "a fact without a value"),
    (put("facts", 0, value={"id": "f", "what": "w", "at_least": 1}), "facts[0].unit", "", "without a unit"),
    (
        put("tables", 0, "formula", value={"reference_um": 0.1, "exponent": 2, "lowest": 5, "highest": 1, "step": 1}),
        "tables[0].formula.lowest",
        "5",
        "must not be greater",
    ),
]


@pytest.mark.parametrize(("change", "key", "value", "message"), WRONG)
def test_a_mistake_is_told(change: Callable[[dict[str, Any]], None], key: str, value: str, message: str) -> None:
    data = invented()
    change(data)
    given = deepcopy(data)
    with pytest.raises(StandardFileError) as caught:
        standard_from(data, "own.toml")
    [problem] = caught.value.problems
    assert (problem.file, problem.key, problem.value) == ("own.toml", key, value)
    assert message in problem.message
    assert problem.mend
    assert str(problem) in str(caught.value)
    assert repr(data) == repr(given), "the data stay as they were"


def test_limits_that_rise_with_size_are_a_mistake() -> None:
    data = invented()
    data["tables"][0]["columns"] = [{"size_um": 0.5}, {"size_um": 5.0}]
    data["tables"][0]["rows"] = [{"name": "1", "cells": [29, 3_520]}]
    with pytest.raises(StandardFileError, match=r"must not be greater: 29 at 0\.5 um, 3520 at 5 um"):
        standard_from(data)


def test_doubles_are_told() -> None:
    data = invented()
    data["facts"].append(data["facts"][0])
    with pytest.raises(StandardFileError, match=r"facts\[1\]\.id = \"pressure\": used twice, first by facts\[0\]"):
        standard_from(data)


def test_empty_and_broken_texts() -> None:
    with pytest.raises(StandardFileError, match="without tables and without facts"):
        standard_from({"id": "a", "name": "A", "title": "A", "edition": "1"}, "a.toml")
    with pytest.raises(StandardFileError, match=r"a\.toml: this is not TOML"):
        standard_from_text("id = ", "a.toml")


def test_a_folder_tells_the_mistakes_of_all_files(tmp_path: Path) -> None:
    (tmp_path / "a.toml").write_text(INVENTED, "utf-8")
    (tmp_path / "b.toml").write_text(INVENTED, "utf-8")
    (tmp_path / "c.toml").write_text("x = 1", "utf-8")
    (tmp_path / "notes.txt").write_text("not looked at", "utf-8")
    with pytest.raises(StandardFileError) as caught:
        read_folder(tmp_path)
    assert {problem.file for problem in caught.value.problems} == {"b.toml", "c.toml"}


def test_the_use_chooses_the_table() -> None:
    annex = shipped().get("eu-gmp-annex-1-2022")
    assert annex.where("A", Use.CLASSIFICATION)[0].id == "table-1"
    assert annex.where("A", Use.MONITORING)[0].id == "table-5"
    # A standard that only classifies serves for monitoring too, and per m3 comes first.
    assert shipped().get("fed-std-209e").where("class 100")[0].id == "table-1-m3"
    with pytest.raises(UnknownClassError, match="class 'A' is not in FED-STD-209E, Table I"):
        rows_of(shipped().get("fed-std-209e"), "A", table="table-1-ft3")


@pytest.mark.parametrize("name", ["0.9", "9.1", "4.85", "nan", "inf", "", "-1"])
def test_classes_that_the_1999_edition_does_not_have(name: str) -> None:
    with pytest.raises(UnknownClassError, match=r"steps of 0\.1 between"):
        shipped().get("iso-14644-1-1999").where(name)


def test_a_formula_gives_no_limit_below_one_particle() -> None:
    row = shipped().get("iso-14644-1-1999").where("1.1")[1]
    assert [entry.cell for entry in row.entries] == [13, 3, 1, *[Blank.TOO_FEW] * 3]


def test_every_shipped_value_says_how_it_was_confirmed() -> None:
    for standard in shipped():
        assert all(fact.evidence for fact in standard.facts), standard.id
        for table in standard.tables:
            assert table.source, table.id
            assert all(entry.evidence for row in table.rows for entry in row.entries), table.id

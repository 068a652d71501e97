"""One frozen model for every standard: its tables, their cells, and what else it says.

Rules: the printed table is the rule, not the formula behind it (ISO 14644-1:2015 says so; 3 520 is the limit, not
3 516.76). A blank cell is no limit: neither zero nor infinity, and it says why it is blank. "Not specified" (may be
left out) and "not predetermined" (the site must set it) are two different things. Classification and monitoring are
two uses. Each cell says how it was confirmed.

Sizes are integer nanometres; limits are in the unit of their table. Must not know where the data came from (files,
texts), nor rooms, samples or judging rules.
"""

from __future__ import annotations

from dataclasses import dataclass
from enum import Enum, StrEnum
from fractions import Fraction
from math import floor

from motewatch.limits.errors import OutOfRangeError, UnknownClassError, UnknownSizeError, UnknownStandardError
from motewatch.limits.standards.formula import class_limit
from motewatch.limits.standards.units import FT3_PER_M3
from motewatch.site.models import Occupancy


class Blank(Enum):
    """Why a cell holds no number: a word for it, and the reason in a sentence."""

    TOO_MANY = ("too many", "The concentration would be too high for a limit to make sense.")
    TOO_FEW = ("too few", "The concentration would be too low to classify by.")
    SAMPLING_LOSS = ("sampling loss", "Large particles get lost on the way to the counter.")
    MACROPARTICLE_ONLY = (
        "M descriptor",
        "Too few particles and sampling loss; if this size is wanted, use the M descriptor beside at least one other "
        "size.",
    )
    OPERATIONAL_ONLY = ("operational only", "The limit is for the operational state only.")
    NOT_SPECIFIED = ("not specified", "No limit: the size may be left out, or added where there is a reason to.")
    NOT_PREDETERMINED = (
        "not predetermined",
        "The site sets its own limit from its risk assessment and routine data.",
    )
    NOT_DEFINED = ("not defined", "The standard defines no limit here.")
    NOT_APPLICABLE = ("not applicable", "The standard has no limit for this class at this size.")

    def __init__(self, word: str, reason: str) -> None:
        self.word = word
        self.reason = reason


Cell = int | float | Blank
"""A limit in the table's unit, or why there is none."""


class Use(StrEnum):
    """What a limit is used for: EU GMP Annex 1 (2022) has a table for each."""

    CLASSIFICATION = "classification"
    MONITORING = "monitoring"


class Unit(StrEnum):
    """Of air: what a limit counts particles in."""

    PER_M3 = "per-m3"
    PER_FT3 = "per-ft3"


class Evidence(StrEnum):
    """How a value was confirmed."""

    FOUND = "found"
    FOUND_SECONDARY = "found-secondary"
    FROM_MEMORY = "from-memory"
    RECOMPUTED = "recomputed"
    CONSTRUCTED = "constructed"


class Status(StrEnum):
    """Does the edition still hold?"""

    IN_FORCE = "in-force"
    SUPERSEDED = "superseded"
    CANCELLED = "cancelled"


@dataclass(frozen=True, slots=True)
class Entry:
    """One cell of a table, with its column, its note and its evidence."""

    size_nm: int
    state: Occupancy | None
    """The column's occupancy state; None: every state."""
    cell: Cell
    mark: str = ""
    """The letter printed in or beside the cell."""
    note: str = ""
    """What that letter says, in our own words."""
    evidence: tuple[Evidence, ...] = ()


@dataclass(frozen=True, slots=True)
class Row:
    """The cells of one class or grade, in the order of the columns."""

    name: str
    also: tuple[str, ...]
    states: tuple[Occupancy, ...]
    """Occupancy states that the class holds in; empty: every one."""
    entries: tuple[Entry, ...]


@dataclass(frozen=True, slots=True)
class Formula:
    """Rows by formula: 10^N (reference / size)^exponent, N from lowest to highest in steps."""

    reference_nm: int
    exponent: float
    lowest: float
    highest: float
    step: float

    def admits(self, number: float) -> bool:
        """Is the class number in range and on a step?"""
        steps = number / self.step
        return self.lowest <= number <= self.highest and abs(steps - round(steps)) < 1e-9


@dataclass(frozen=True, slots=True)
class Table:
    """One table of limits, cumulative: particles at or above a size."""

    id: str
    name: str
    clause: str
    clause_evidence: tuple[Evidence, ...]
    use: Use | None
    """None: for classification and for monitoring."""
    unit: Unit
    source: str
    """Where the values were found."""
    rows: tuple[Row, ...]
    formula: Formula | None = None

    @property
    def names(self) -> tuple[str, ...]:
        """Names of the printed classes, as printed."""
        return tuple(row.name for row in self.rows)

    @property
    def sizes_nm(self) -> tuple[int, ...]:
        """The sizes of the columns, rising."""
        return tuple(sorted({entry.size_nm for entry in self.rows[0].entries}))

    @property
    def citation(self) -> str:
        """`Table 5 (9.15)`. A clause from memory is left out: an alarm must not cite what nobody has seen."""
        sure = self.clause and Evidence.FROM_MEMORY not in self.clause_evidence
        return f"{self.name} ({self.clause})" if sure else self.name

    def row(self, name: str) -> Row | None:
        """The row of a class: as printed, or by the table's formula where it admits the number. None: no such."""
        wanted = class_key(name)
        for row in self.rows:
            if wanted in {class_key(known) for known in (row.name, *row.also)}:
                return row
        return None if self.formula is None else self._by_formula(wanted, self.formula)

    def _by_formula(self, name: str, formula: Formula) -> Row | None:
        try:
            number = float(name)
        except ValueError:
            return None
        if not formula.admits(number):
            return None
        entries = []
        for column in self.rows[0].entries:
            limit = class_limit(number, column.size_nm, formula.exponent, formula.reference_nm)
            # A limit below one particle in a cubic metre is none (our choice; 2 at class 1 and 0.2 um was printed).
            cell: Cell = limit if limit >= 1 else Blank.TOO_FEW
            entries.append(Entry(column.size_nm, column.state, cell, "", "", (Evidence.RECOMPUTED,)))
        return Row(name, (), (), tuple(entries))

    def entry(self, name: str, size_nm: int, state: Occupancy = Occupancy.OPERATIONAL) -> Entry:
        """One cell. Raises `UnknownClassError`, and `UnknownSizeError` for a size that the table does not have."""
        row = self.row(name)
        if row is None:
            raise UnknownClassError(name, f"its classes are {', '.join(self.names)}", self.name)
        for entry in entries_in(row, state):
            if entry.size_nm == size_nm:
                return entry
        raise UnknownSizeError(size_nm, self.sizes_nm, self.name)


def entries_in(row: Row, state: Occupancy) -> tuple[Entry, ...]:
    """The row's cells that hold in an occupancy state, by rising size.

    A column for the state wins over one for every state. Without columns for as-built those for at-rest hold (our
    choice: the stricter numbers). Where the row or its columns are for other states, the cells are blank and say so.
    """
    found: dict[int, Entry] = {}
    held = state
    if state is Occupancy.AS_BUILT and not any(entry.state is state for entry in row.entries):
        held = Occupancy.AT_REST
    for entry in row.entries:
        if entry.state is held or (entry.state is None and entry.size_nm not in found):
            found[entry.size_nm] = entry
    for entry in row.entries:
        found.setdefault(entry.size_nm, _elsewhere(entry, entry.state))
    if row.states and state not in row.states:
        found = {size: _elsewhere(entry, row.states[0]) for size, entry in found.items()}
    return tuple(found[size] for size in sorted(found))


def _elsewhere(entry: Entry, state: Occupancy | None) -> Entry:
    only = Blank.OPERATIONAL_ONLY if state is Occupancy.OPERATIONAL else Blank.NOT_APPLICABLE
    return Entry(entry.size_nm, entry.state, only, entry.mark, "", entry.evidence)


def class_key(name: str) -> str:
    """A class as people write it, made comparable: `ISO class 5`, `iso 5.0` and `5` are one."""
    bare = name.strip().casefold()
    for word in ("iso", "class", "grade"):
        bare = bare.removeprefix(word).strip()
    bare = "".join(bare.split())
    head, point, tail = bare.partition(".")
    return head if point and head.isdigit() and not tail.strip("0") else bare


@dataclass(frozen=True, slots=True)
class Fact:
    """A number or a rule beside the tables."""

    id: str
    what: str
    holds_for: str
    at_least: float | None
    at_most: float | None
    below: float | None
    unit: str
    text: str
    clause: str
    evidence: tuple[Evidence, ...]


@dataclass(frozen=True, slots=True)
class Standard:
    """One standard in one edition."""

    id: str
    name: str
    title: str
    edition: str
    status: Status
    status_date: str
    status_evidence: tuple[Evidence, ...]
    replaced_by: str
    rows_are: str
    """`class` or `grade`."""
    remark: str
    tables: tuple[Table, ...]
    facts: tuple[Fact, ...]

    def table(self, ident: str) -> Table:
        """A table by its id. Raises `UnknownStandardError`."""
        for table in self.tables:
            if table.id == ident:
                return table
        raise UnknownStandardError(ident, (table.id for table in self.tables), f"table in {self.name}")

    def fact(self, ident: str) -> Fact:
        """A fact by its id. Raises `UnknownStandardError`."""
        for fact in self.facts:
            if fact.id == ident:
                return fact
        raise UnknownStandardError(ident, (fact.id for fact in self.facts), f"fact in {self.name}")

    def class_names(self) -> tuple[str, ...]:
        """The classes of all tables, each once, in their order."""
        return tuple(dict.fromkeys(name for table in self.tables for name in table.names))

    def where(self, name: str, use: Use = Use.MONITORING) -> tuple[Table, Row]:
        """The table for a use that has the class, and its row: per cubic metre before per cubic foot.

        Where no table is for that use, one for the other use serves: a standard that only classifies gives its limits
        for monitoring too. Raises `UnknownClassError`.
        """
        ranked = sorted(self.tables, key=lambda table: (table.use not in (use, None), table.unit is Unit.PER_FT3))
        for table in ranked:
            row = table.row(name)
            if row is not None:
                return table, row
        raise UnknownClassError(name, self._known(), self.name)

    def _known(self) -> str:
        if not self.tables:
            return "it has no table of limits, only facts"
        known = f"its {'classes' if self.rows_are == 'class' else 'grades'} are {', '.join(self.class_names())}"
        steps = [table.formula for table in self.tables if table.formula is not None]
        return known + (f", and steps of {steps[0].step:g} between" if steps else "")

    def cite(self, table: Table, row: Row, state: Occupancy | None = None) -> str:
        """`EU GMP Annex 1 (2022), Table 5 (9.15), grade A, operational`."""
        text = f"{self.name}, {table.citation}, {self.rows_are} {row.name}"
        return text if state is None else f"{text}, {state.value}"


def whole_per_m3(cell: int | float, unit: Unit) -> int:
    """The limit as whole particles per cubic metre, for rules that compare integers.

    A limit that is no whole number, or is per cubic foot, becomes the whole number below it: never a laxer limit.
    Raises `OutOfRangeError` for a limit that is negative or no number.
    """
    if not 0 <= cell < float("inf"):
        raise OutOfRangeError("limit", cell, "a number from 0")
    exact = Fraction(cell) if unit is Unit.PER_M3 else Fraction(cell) * FT3_PER_M3
    return floor(exact)

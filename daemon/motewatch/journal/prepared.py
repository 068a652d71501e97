"""Core statements rendered once and executed with tuples: for the few that run for every message.

SQLAlchemy's handling of a dictionary a row (parameters by name, a processor a column) costs several times what the
database needs for the row itself. What it renders is kept here, and the driver gets plain tuples. Rules: values are
what the driver takes as it is (whole numbers, texts, bytes, None), in the order of `names`, which must be the order
in the rendered text; the dialect must use positional parameters. All other statements are executed the usual way.
"""

from __future__ import annotations

from collections.abc import Sequence
from typing import Any

from sqlalchemy import ClauseElement, Connection, Row

Values = tuple[Any, ...]


class Prepared:
    """One statement. `names` are those of its parameters, in order; for an insert, of all columns of its table."""

    def __init__(self, statement: ClauseElement, names: Sequence[str]) -> None:
        self._statement = statement
        self._names = list(names)
        self._text: str | None = None

    def many(self, connection: Connection, rows: list[Values]) -> None:
        """Execute it for each row."""
        if rows:
            connection.exec_driver_sql(self._text or self._render(connection), rows)

    def run(self, connection: Connection, values: Values) -> int:
        """Execute it once; returns how many rows it touched."""
        return connection.exec_driver_sql(self._text or self._render(connection), values).rowcount

    def all(self, connection: Connection, values: Values) -> Sequence[Row[Any]]:
        """Execute it once and fetch all that it gives."""
        return connection.exec_driver_sql(self._text or self._render(connection), values).all()

    def plain(self, connection: Connection, values: Values) -> Sequence[Any]:
        """The same as the driver's own tuples: for tens of thousands of rows."""
        result = connection.exec_driver_sql(self._text or self._render(connection), values)
        # The driver's cursor is there until the rows are fetched.
        rows = result.cursor.fetchall()
        result.close()
        return rows

    def _render(self, connection: Connection) -> str:
        compiled: Any = self._statement.compile(dialect=connection.dialect)
        if compiled.positiontup != self._names:
            raise ValueError(f"parameters are {compiled.positiontup}, not {self._names}, in: {compiled}")
        self._text = str(compiled)
        return self._text

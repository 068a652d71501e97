"""What every table of a site file is made of: strict numbers, texts, ids, and the base model.

Apart from the tables themselves, so that the models of a standard's own file can use it and `site.models` can use
them. Must not know any table.
"""

from __future__ import annotations

from enum import StrEnum
from typing import Annotated

from pydantic import BaseModel, ConfigDict, Field, StringConstraints
from pydantic_core import PydanticCustomError

Number = Annotated[float, Field(strict=True)]
Whole = Annotated[int, Field(strict=True)]
Flag = Annotated[bool, Field(strict=True)]

IDENTIFIER_PATTERN = r"^[a-z0-9]([a-z0-9_-]{0,62}[a-z0-9])?$"
URL_PATTERN = r"^https?://[^\s]+$"
TOPIC_ROOT_PATTERN = r"^[A-Za-z0-9_-]+(/[A-Za-z0-9_-]+)*$"
LABEL_PATTERN = r"^[^\x00-\x1f\x7f-\x9f]+$"

Identifier = Annotated[str, StringConstraints(pattern=IDENTIFIER_PATTERN)]
"""Lower case letters, digits, hyphen and underscore; safe in an MQTT topic level and in an MQTT user name."""

Label = Annotated[str, StringConstraints(min_length=1, max_length=120, strip_whitespace=True, pattern=LABEL_PATTERN)]
"""Text for people on one line: no control characters, so that it cannot upset a terminal or a log."""

SizeUm = Annotated[Number, Field(ge=0.05, le=100.0, multiple_of=0.001)]
"""A particle size in micrometres, in whole nanometres: inside, sizes are integers of nanometres."""


def size_nm(size_um: float) -> int:
    """The size in whole nanometres, as everything inside has it."""
    return round(size_um * 1000)


def size_text(size_nm: int) -> str:
    """A size as the trade writes it: `0.5 um`."""
    return f"{size_nm / 1000:g} um"


def mistake(key: str, message: str, mend: str) -> PydanticCustomError:
    """An error of a table as a whole that belongs to one of its keys (empty: to the table itself)."""
    return PydanticCustomError("mistake", "{message}", {"key": key, "message": message, "mend": mend})


class Occupancy(StrEnum):
    """Occupancy states of ISO 14644-1:2015, 3.3."""

    AS_BUILT = "as-built"
    AT_REST = "at-rest"
    OPERATIONAL = "operational"


class Table(BaseModel):
    """Base of every table: frozen, and an unknown key is a mistake."""

    model_config = ConfigDict(
        extra="forbid",
        frozen=True,
        str_strip_whitespace=True,
        allow_inf_nan=False,
        # The docstrings of the keys become descriptions in the JSON Schema.
        use_attribute_docstrings=True,
    )

"""What `measure` refuses.

MeasureError
 +- BadInputError              a value that cannot be, or lies outside the stated range of a function
 +- HumidityError              (in `humidity`) a humidity that cannot be computed
 |   +- OutOfRangeError        outside the range of a formula
 |   +- SupersaturatedError    a dew point above the air's temperature
 +- OverloadedError            (in `coincidence`) a reading no counter of this kind can give
"""

from __future__ import annotations


class MeasureError(ValueError):
    """Base: a measured value or a setting that cannot be worked with."""


class BadInputError(MeasureError):
    """A value that cannot be, or lies outside a function's stated range."""

    def __init__(self, name: str, value: object, allowed: str) -> None:
        self.name = name
        self.value = value
        self.allowed = allowed
        super().__init__(f"{name} = {value}: give {allowed}")

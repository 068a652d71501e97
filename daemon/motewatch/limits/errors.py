"""What can be asked of the limits that they do not hold.

LimitsError
 +- UnknownStandardError       no such standard, or no such table in it
 +- UnknownClassError          no such class or grade in a standard
 |   +- UnknownGradeError      the same for EU GMP Annex 1
 +- UnknownSizeError           a size that no table of the standard has
 +- OutOfRangeError            a value outside the range of a formula, or no number at all
 +- StandardFileError          a file or text of a standard cannot be used; `problems` holds every mistake
 +- DesignationError           a text that is no designation
 +- NotADecayError             (in `recovery`) a stream that no recovery can be taken from; `reason` says why
 +- TooManyStatesError         a rule whose exact chain is too large to be built
"""

from __future__ import annotations

from collections.abc import Iterable

from motewatch.site.basics import size_text
from motewatch.site.findings import did_you_mean
from motewatch.site.problems import Problem


class LimitsError(ValueError):
    """Base: something was asked of the limits that they do not hold."""


class UnknownStandardError(LimitsError):
    """There is no such standard, or no such table in it."""

    def __init__(self, asked: object, known: Iterable[str], what: str = "standard") -> None:
        self.asked = asked
        self.known = tuple(known)
        self.mend = did_you_mean(str(asked), self.known, f"known are {', '.join(self.known) or 'none'}")
        super().__init__(f"there is no {what} '{asked}': {self.mend}")


class UnknownClassError(LimitsError):
    """There is no such class."""

    def __init__(self, asked: object, mend: str = "", where: str = "") -> None:
        self.asked = asked
        self.mend = mend or "give 1 to 9, or a half class from 1.5 to 8.5"
        told = f"class '{asked}' is not in {where}" if where else f"ISO class '{asked}' is in no table"
        super().__init__(f"{told}: {self.mend}")


class UnknownGradeError(UnknownClassError):
    """There is no such grade in EU GMP Annex 1."""

    def __init__(self, asked: object) -> None:
        self.asked = asked
        self.mend = "give one of A, B, C, D"
        LimitsError.__init__(self, f"grade '{asked}' is in no table: {self.mend}")


class UnknownSizeError(LimitsError):
    """No table of the standard has the size."""

    def __init__(self, size_nm: int, known_nm: Iterable[int], where: str) -> None:
        self.size_nm = size_nm
        sizes = ", ".join(f"{known / 1000:g}" for known in sorted(known_nm))
        super().__init__(f"{where} has no limits at {size_text(size_nm)}: its sizes are {sizes} um")


class OutOfRangeError(LimitsError):
    """A value outside the range of a formula, negative where it cannot be, or no number."""

    def __init__(self, name: str, value: object, allowed: str) -> None:
        self.name = name
        self.value = value
        super().__init__(f"{name} = {value}: give {allowed}")


class StandardFileError(LimitsError):
    """A standard's file or text cannot be used: each problem names file, key, value and how to mend it."""

    def __init__(self, problems: Iterable[Problem]) -> None:
        self.problems = tuple(problems)
        super().__init__("\n".join(str(problem) for problem in self.problems))


class DesignationError(LimitsError):
    """The text is no designation of cleanliness, or no macroparticle descriptor."""

    def __init__(self, text: str, form: str) -> None:
        self.text = text
        super().__init__(f"'{text}' cannot be read: write it as {form}")


class TooManyStatesError(LimitsError):
    """The rule's exact chain would have more states than are built."""

    def __init__(self, rule: str, states: int, most: int) -> None:
        self.states = states
        super().__init__(f"{rule} needs {states} states, and up to {most} are built: give a smaller k or n")

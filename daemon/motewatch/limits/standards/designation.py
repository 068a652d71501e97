"""Designations as texts: of a class of air cleanliness, and of macroparticles (the M descriptor).

Formats: `ISO Class 5; at-rest; 0.5 um, 1 um` (class; occupancy state; considered sizes - titles of ISO 14644-1:2015
4.1 and 4.4 found, the format from memory, not confirmed) and `ISO M (29; >=5 um); LSAPC` (highest concentration per
m3; equivalent diameter; measuring method - the three fields found in a secondary page, the example from memory). One
page says that macroparticles begin at 0.5 um: wrong, the standard's scope says larger than 5 um. Must not know tables.
"""

from __future__ import annotations

import re
from dataclasses import dataclass

from motewatch.limits.errors import DesignationError, OutOfRangeError
from motewatch.site.models import Occupancy

MACROPARTICLE_FROM_NM = 5_000
CLASSES_FROM_NM = 100
LSAPC = "LSAPC"
"""Light scattering airborne particle counter: the method of ISO 14644-1:2015."""

_MACRO_FORM = "ISO M (29; >=5 um); LSAPC"
_CLASS_FORM = "ISO Class 5; at-rest; 0.5 um, 1 um"
_MACRO = re.compile(
    r"ISO\s+M\s*\(\s*(?P<limit>[\d\s]*\d(?:\.\d+)?)\s*;\s*(?:(?:>=|≥)\s*(?P<open>\d+(?:\.\d+)?)\s*[uµμ]m"
    r"|(?P<low>\d+(?:\.\d+)?)\s*[uµμ]m\s+to\s+(?P<high>\d+(?:\.\d+)?)\s*[uµμ]m)\s*\)\s*[;:]\s*(?P<method>\S.*)",
    re.IGNORECASE,
)
_CLASS = re.compile(
    r"(?:ISO\s+(?:Class\s+)?)(?P<name>\d(?:\.\d)?)\s*;\s*(?P<states>[a-z ,-]+?)\s*;\s*(?P<sizes>[^;]+)", re.IGNORECASE
)
_SIZE = re.compile(r"(?:>=|≥)?\s*(\d+(?:\.\d+)?)\s*[uµμ]m")


@dataclass(frozen=True, slots=True)
class Macroparticles:
    """A limit for particles larger than 5 um, beside a class or alone.

    `limit_per_m3` from 0; sizes in nm from 5 000; `upper_nm` None: at or above `lower_nm`. Raises `OutOfRangeError`.
    """

    limit_per_m3: float
    lower_nm: int = MACROPARTICLE_FROM_NM
    upper_nm: int | None = None
    method: str = LSAPC

    def __post_init__(self) -> None:
        if not 0 <= self.limit_per_m3 < float("inf"):
            raise OutOfRangeError("limit_per_m3", self.limit_per_m3, "a finite number from 0")
        if self.lower_nm < MACROPARTICLE_FROM_NM:
            raise OutOfRangeError("lower_nm", self.lower_nm, "at least 5000: macroparticles are larger than 5 um")
        if self.upper_nm is not None and self.upper_nm <= self.lower_nm:
            raise OutOfRangeError("upper_nm", self.upper_nm, f"more than lower_nm, which is {self.lower_nm}")
        if not self.method.strip():
            raise OutOfRangeError("method", repr(self.method), f"the measuring method, such as {LSAPC}")

    def __str__(self) -> str:
        limit = f"{self.limit_per_m3:.12g}"
        lower = f"{self.lower_nm / 1000:.12g} um"
        size = f">={lower}" if self.upper_nm is None else f"{lower} to {self.upper_nm / 1000:.12g} um"
        return f"ISO M ({limit}; {size}); {self.method.strip()}"

    @classmethod
    def parse(cls, text: str) -> Macroparticles:
        """What `str` wrote; also with the signs for greater-or-equal and micro, and thousands apart.

        Raises `DesignationError`, and `OutOfRangeError` for sizes below 5 um.
        """
        found = _MACRO.fullmatch(text.strip())
        if found is None:
            raise DesignationError(text, _MACRO_FORM)
        limit = float("".join(found["limit"].split()))
        lower = found["open"] or found["low"]
        upper = None if found["high"] is None else _nm(found["high"])
        return cls(limit, _nm(lower), upper, found["method"].strip())


@dataclass(frozen=True, slots=True)
class Designation:
    """A class of air cleanliness as it is stated: the class, the occupancy states, the considered sizes.

    At least one state and one size; sizes in nm, 100 to 5 000, rising. Raises `OutOfRangeError`.
    """

    class_name: str
    states: tuple[Occupancy, ...]
    sizes_nm: tuple[int, ...]

    def __post_init__(self) -> None:
        if not self.states:
            raise OutOfRangeError("states", "none", "at least one occupancy state: it is part of the designation")
        if not self.sizes_nm or list(self.sizes_nm) != sorted(set(self.sizes_nm)):
            raise OutOfRangeError("sizes_nm", self.sizes_nm, "at least one size, rising, each once")
        for size in self.sizes_nm:
            if not CLASSES_FROM_NM <= size <= MACROPARTICLE_FROM_NM:
                raise OutOfRangeError("sizes_nm", size, "sizes from 100 to 5000 nm")

    def __str__(self) -> str:
        states = ", ".join(state.value for state in self.states)
        sizes = ", ".join(f"{size / 1000:.12g} um" for size in self.sizes_nm)
        return f"ISO Class {self.class_name}; {states}; {sizes}"

    @classmethod
    def parse(cls, text: str) -> Designation:
        """What `str` wrote. Raises `DesignationError`."""
        found = _CLASS.fullmatch(text.strip())
        if found is None:
            raise DesignationError(text, _CLASS_FORM)
        states = []
        for word in found["states"].split(","):
            try:
                states.append(Occupancy(word.strip().lower().replace(" ", "-")))
            except ValueError:
                raise DesignationError(text, _CLASS_FORM) from None
        sizes = []
        for part in found["sizes"].split(","):
            size = _SIZE.fullmatch(part.strip())
            if size is None:
                raise DesignationError(text, _CLASS_FORM)
            sizes.append(_nm(size[1]))
        return cls(found["name"], tuple(states), tuple(sizes))


def _nm(text_um: str) -> int:
    return round(float(text_um) * 1000)

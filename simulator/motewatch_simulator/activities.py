"""When each person steps to another level of activity: one instant after the other, or a whole stretch at once.

Each person has random numbers of their own, so a stretch that is drawn at once, person by person, holds the levels and
instants that come one by one. Knows no rooms and no particles.
"""

from __future__ import annotations

import heapq
from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from motewatch_simulator.agenda import Agenda
from motewatch_simulator.people import Person
from motewatch_simulator.spectra import Array


@dataclass(frozen=True, slots=True)
class Course:
    """What one person does in a stretch: strengths, and the instants from which each but the first holds."""

    instants_us: NDArray[np.int64]
    strengths: Array

    def at(self, starts_us: NDArray[np.int64]) -> Array:
        """The strength in each of the steps that start at these instants."""
        result: Array = self.strengths[np.searchsorted(self.instants_us, starts_us, side="right")]
        return result


class Activities:
    """The levels of all persons over time. Persons are told by their number."""

    def __init__(self, persons: Sequence[Person], agenda: Agenda) -> None:
        self._persons = tuple(persons)
        self._agenda = agenda
        self._heap = []
        for i, person in enumerate(self._persons):
            hold_s = person.hold_s()
            if hold_s is not None:
                self._heap.append((agenda.instant_after(agenda.now_us, hold_s), i))
        heapq.heapify(self._heap)

    def next_us(self) -> int | None:
        """When somebody changes next."""
        return self._heap[0][0] if self._heap else None

    def advance(self, to_us: int) -> list[int]:
        """Let time go on to an instant; returns who changed."""
        heap, changed = self._heap, []
        while heap and heap[0][0] <= to_us:
            i = heap[0][1]
            _, _, next_us = self._persons[i].changes(to_us, to_us + 1, self._agenda.instant_after)
            heapq.heapreplace(heap, (next_us, i))
            changed.append(i)
        return changed

    def courses(self, until_us: int) -> dict[int, Course]:
        """Let everybody change who does so before an instant; returns what they do from now on until then."""
        result = {}
        for place, (at_us, i) in enumerate(self._heap):
            if at_us < until_us:
                person = self._persons[i]
                before = person.strength
                instants, levels, next_us = person.changes(at_us, until_us, self._agenda.instant_after)
                self._heap[place] = (next_us, i)
                strengths = np.array([before, *(level * person.habit for level in levels)])
                result[i] = Course(np.array(instants, dtype=np.int64), strengths)
        heapq.heapify(self._heap)
        return result

"""Orders stated in pairs, such as a pressure cascade ("this room above that one"): do they contradict themselves?

Pure and small; knows neither rooms nor pressures.
"""

from __future__ import annotations

from collections.abc import Iterable


def find_cycle(pairs: Iterable[tuple[str, str]]) -> tuple[str, ...] | None:
    """Names that each stand above the next and the last above the first, or None where the order is sound.

    `pairs` are (higher, lower). Of several cycles one is told, the same one whatever the order of the pairs.
    """
    below: dict[str, set[str]] = {}
    for higher, lower in pairs:
        below.setdefault(higher, set()).add(lower)
    done: set[str] = set()
    for start in sorted(below):
        path: list[str] = []
        # A walk with its own stack: a long chain of rooms must not end in the interpreter's.
        waiting = [iter((start,))]
        while waiting:
            name = next(waiting[-1], None)
            if name is None:
                waiting.pop()
                if path:
                    done.add(path.pop())
            elif name in path:
                return _canonical(path[path.index(name) :])
            elif name not in done:
                path.append(name)
                waiting.append(iter(sorted(below.get(name, ()))))
    return None


def _canonical(cycle: list[str]) -> tuple[str, ...]:
    first = cycle.index(min(cycle))
    return tuple(cycle[first:] + cycle[:first])

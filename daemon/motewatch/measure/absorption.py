"""Mean times to absorption of a Markov chain, exact however rare absorption is. Must not know what it is used for."""

from __future__ import annotations

from typing import TYPE_CHECKING, Any

from motewatch.site.later import Later

if TYPE_CHECKING:
    import numpy as np
else:
    np = Later("numpy")


def mean_times(matrix: np.ndarray[Any, Any], leaving: np.ndarray[Any, Any]) -> np.ndarray[Any, Any]:
    """Mean times to absorption by elimination without subtractions (Grassmann, Taksar and Heyman), which keeps all
    digits however rare a signal is; `leaving` is each state's chance of a signal."""
    chain = matrix.copy()
    out = leaving.copy()
    times = np.ones(len(chain))
    for last in range(len(chain) - 1, 0, -1):
        away = float(chain[last, :last].sum()) + out[last]
        into = chain[:last, last] / away
        chain[:last, :last] += np.outer(into, chain[last, :last])
        out[:last] += into * out[last]
        times[:last] += into * times[last]
    solved = np.zeros(len(chain))
    with np.errstate(divide="ignore"):
        solved[0] = times[0] / out[0]
    for state in range(1, len(chain)):
        away = float(chain[state, :state].sum()) + out[state]
        solved[state] = (times[state] + float(chain[state, :state] @ solved[:state])) / away
    return solved

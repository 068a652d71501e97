"""What can go wrong in the simulator, as one tree.

SimulatorError
|-- ScenarioError      the scenario file: every mistake at once, in `problems`
|-- StreamError        an output file, or a start instant, that cannot be used
|-- TruthError         a line of a truth file that cannot be read
`-- BrokerError        the broker: unreachable at the start, or it does not want us
"""

from __future__ import annotations

from motewatch.site.problems import Problem


class SimulatorError(Exception):
    """Root of everything the simulator raises on purpose."""


class ScenarioError(SimulatorError):
    """A scenario that cannot be played; `problems` holds every mistake found."""

    def __init__(self, problems: list[Problem]) -> None:
        self.problems = problems
        super().__init__("\n".join(str(problem) for problem in problems))


class StreamError(SimulatorError):
    """An output file, or a start instant, that cannot be used."""


class TruthError(SimulatorError):
    """A line that is no truth; `line` holds it."""

    def __init__(self, line: str, why: str) -> None:
        self.line = line
        shown = line if len(line) <= 80 else line[:77] + "..."
        super().__init__(f"this is no line of a truth file: {why}. Write the file anew. The line: {shown}")


class BrokerError(SimulatorError):
    """The broker is not there, or does not want us."""

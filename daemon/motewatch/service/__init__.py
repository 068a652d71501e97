"""Starts, wires and stops all of it.

`run` is what `motewatch serve` calls (`process`). `Service` (`program`) is the whole as one object with start and stop,
so that tests use the real thing. `writer` holds the one thread that owns engine and journal; `replay` brings the engine
back from the record; `engine_clock` gives the engine its time.
"""

from motewatch.service.process import run
from motewatch.service.program import Service

__all__ = ["Service", "run"]

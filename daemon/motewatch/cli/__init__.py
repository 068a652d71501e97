"""The command line: parses, calls, prints, and turns errors into sentences; it decides nothing.

`app` ties the commands together, and each of the other modules holds a few of them; `times`, `printing` and `options`
are shared. Exit status: 0 fine, 1 something is wrong, 2 not understood.
"""

from motewatch.cli.app import app, main

__all__ = ["app", "main"]

"""What another user of this machine finds, who may look at nothing that is not open to everybody."""

from __future__ import annotations

import os
import subprocess
import sys
import tempfile
from collections.abc import Iterator
from contextlib import contextmanager
from pathlib import Path

_NOBODY = 65534
_PROGRAM = """
import os, sys
from contextlib import suppress
from pathlib import Path
path = Path(sys.argv[1])
with suppress(OSError):
    {it}  # loads what it needs: our own code may be closed to others, too
os.geteuid() or os.setuid({nobody})
print({it})
"""


@contextmanager
def open_folder() -> Iterator[Path]:
    """One that everybody can enter, unlike those that pytest makes."""
    with tempfile.TemporaryDirectory() as name:
        Path(name).chmod(0o755)
        yield Path(name)


def close(path: Path) -> None:
    """To everybody else; also to us, where we are not root: then nobody else can be asked."""
    path.chmod(0o700 if os.geteuid() == 0 else 0)


def asked(imports: str, expression: str, path: Path) -> str:
    """What it says; `path` is known to it."""
    code = imports + _PROGRAM.format(it=expression, nobody=_NOBODY)
    done = subprocess.run([sys.executable, "-c", code, str(path)], capture_output=True, text=True, check=False)
    return done.stdout.strip() or done.stderr.strip().splitlines()[-1]

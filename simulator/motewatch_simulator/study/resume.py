"""The file that lets a study go on where it stopped: one JSON line for what it is of, then one for each task done.

A line is written when its task is done, so whatever interrupts the study costs at most the tasks under way; a last
line that was torn is cut off. A file of another study, seed or version is refused by name.
"""

from __future__ import annotations

import hashlib
import json
import os
from pathlib import Path
from typing import BinaryIO, Self

from motewatch_simulator.errors import StreamError
from motewatch_simulator.study.tasks import Result, Work

VERSION = 2
"""Raise it whenever the same task would give another result."""


class Resume:
    """Results kept as they come; `done` holds those of earlier runs. A context manager. `path` None keeps nothing."""

    def __init__(self, path: Path | None, work: Work) -> None:
        self.done: dict[str, Result] = {}
        self._file: BinaryIO | None = None
        if path is None:
            return
        text = f"{VERSION}\n{work.study}\n{','.join(work.places)}"
        head = json.dumps({"motewatch-study": VERSION, "digest": hashlib.sha256(text.encode()).hexdigest()})
        try:
            self._file = path.open("a+b")
            good = self._read(path, head)
            self._file.truncate(good)
        except OSError as error:
            self.close()
            raise StreamError(f"{path}: the resume file cannot be used: {error.strerror}") from None
        except StreamError:
            self.close()
            raise
        if good == 0:
            self._write(head)

    def __enter__(self) -> Self:
        return self

    def __exit__(self, *_: object) -> None:
        self.close()

    def keep(self, key: str, result: Result) -> None:
        """A task is done."""
        self.done[key] = result
        if self._file is not None:
            self._write(json.dumps([key, result]))

    def close(self) -> None:
        """Close the file."""
        if self._file is not None:
            self._file.close()
            self._file = None

    def _read(self, path: Path, head: str) -> int:
        """Read what is there; returns how many bytes are good."""
        assert self._file is not None
        self._file.seek(0)
        good = 0
        for number, line in enumerate(self._file):
            if not line.endswith(b"\n"):
                break
            if number == 0:
                if line.decode(errors="replace").strip() != head:
                    raise StreamError(
                        f"{path}: this is not the resume file of this study: the ROOM.toml, its seed or the program is "
                        "another. Name another file by --resume, or remove this one to begin anew."
                    )
            else:
                try:
                    key, result = json.loads(line)
                except ValueError:
                    break
                self.done[key] = result
            good += len(line)
        return good

    def _write(self, line: str) -> None:
        assert self._file is not None
        self._file.write(line.encode() + b"\n")
        self._file.flush()
        os.fsync(self._file.fileno())

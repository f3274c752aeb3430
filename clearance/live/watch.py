"""A scene goes in; whether any of the files that it was read from has changed on the disk comes out.

Looked at by size and time first, and by what is in it (SHA-256) where one of these is another.
"""

from __future__ import annotations

import hashlib
import os
from pathlib import Path

from clearance.errors import InputError, printable
from clearance.scene.model import Scene

#: what is known of a file by a look at its entry: size, time of change (ns), and number
Entry = tuple[int, int, int]


class Watch:
    """The files of a scene.

    Args:
        scene: as read.

    Attributes:
        stale: the name of a file that has changed since it was read, or is gone; None where none has.
    """

    def __init__(self, scene: Scene) -> None:
        folder = os.path.dirname(os.path.abspath(scene.setup_file))
        self.stale: str | None = None
        self._digest: dict[Path, str] = {}
        self._name: dict[Path, str] = {}
        self._entry: dict[Path, Entry | None] = {}
        for k, (name, digest) in enumerate(scene.inputs):
            path = Path(os.path.abspath(scene.setup_file)) if k == 0 else Path(folder, name)
            # a machine that ships with the tool is no file beside the setup
            if k == 0 or path.is_file():
                self._digest[path], self._name[path], self._entry[path] = digest, printable(name), None
        self._wrong: set[Path] = set()
        self.look()

    def look(self) -> bool:
        """Look at all of them; whether ``stale`` is another one than before."""
        before = self.stale
        for path, digest in self._digest.items():
            entry = _entry(path)
            if entry is not None and entry == self._entry[path]:
                continue
            self._entry[path] = entry
            if _sha256(path) == digest:
                self._wrong.discard(path)
            else:
                self._wrong.add(path)
        self.stale = next((self._name[path] for path in self._digest if path in self._wrong), None)
        return self.stale != before

    def refuse(self) -> None:
        """Raises:
        InputError: one of them has changed: nothing is to be written.
        """
        self.look()
        if self.stale is not None:
            found = "has changed since it was read; nothing was written"
            raise InputError(self.stale, "", found, "read it again")


def _entry(path: Path) -> Entry | None:
    try:
        found = os.stat(path)
    except OSError:
        return None
    return found.st_size, found.st_mtime_ns, found.st_ino


def _sha256(path: Path) -> str | None:
    try:
        return hashlib.sha256(path.read_bytes()).hexdigest()
    except OSError:
        return None

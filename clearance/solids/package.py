"""The bytes of a ZIP package go in; the parts that are asked for come out, never more than a stated size."""

from __future__ import annotations

import io
import struct
import zipfile
import zlib

from clearance.errors import InputError

#: A package with more entries than this is no model.
MOST_ENTRIES = 10_000

_AGAIN = "export the model again"


class Package:
    """A ZIP package held in memory, of which single parts are unpacked within a budget of bytes.

    Args:
        data: the whole file.   shown: its name for messages.
        budget: bytes that all parts together may unpack to.

    Raises (all methods): InputError.
    """

    def __init__(self, data: bytes, shown: str, budget: int) -> None:
        self._shown = shown
        self._budget = budget
        self._left = budget
        if data.count(b"PK\x01\x02") > MOST_ENTRIES:
            raise InputError(shown, "", f"the package has more than {MOST_ENTRIES} parts", "a model")
        try:
            self._zip = zipfile.ZipFile(io.BytesIO(data))
        except (
            zipfile.BadZipFile,
            ValueError,
            OSError,
            EOFError,
            NotImplementedError,
            struct.error,
        ) as error:
            raise InputError(shown, "", f"the ZIP package is broken: {_words(error)}", _AGAIN) from None
        self._names = {info.filename.lstrip("/").lower(): info for info in self._zip.infolist()}

    def has(self, name: str) -> bool:
        """Is there such a part? Capitals do not matter, a leading slash neither."""
        return name.lstrip("/").lower() in self._names

    def read(self, name: str) -> bytes:
        """The unpacked bytes of a part."""
        info = self._names.get(name.lstrip("/").lower())
        if info is None:
            raise InputError(self._shown, name, "the package has no such part", _AGAIN)
        if info.flag_bits & 1:
            raise InputError(self._shown, name, "this part is encrypted", "a model without a password")
        if info.compress_type not in (zipfile.ZIP_STORED, zipfile.ZIP_DEFLATED):
            raise InputError(
                self._shown, name, f"this part is packed by method {info.compress_type}", "deflate"
            )
        if info.file_size > self._left:
            raise self._too_large(name, info.file_size)
        try:
            with self._zip.open(info) as stream:
                data = stream.read(self._left + 1)
        except (
            zipfile.BadZipFile,
            zlib.error,
            ValueError,
            OSError,
            EOFError,
            RuntimeError,
            struct.error,
        ) as error:
            raise InputError(self._shown, name, f"this part is broken: {_words(error)}", _AGAIN) from None
        if len(data) > self._left:
            raise self._too_large(name, len(data))
        self._left -= len(data)
        return data

    def _too_large(self, name: str, size: int) -> InputError:
        return InputError(
            self._shown,
            name,
            f"this part unpacks to {size / 1e6:.0f} MB, more than the {self._budget / 1e6:.0f} MB allowed",
            "export it with coarser facets",
        )


def _words(error: Exception) -> str:
    """The library's own words, on one line."""
    return " ".join(str(error).split()) or type(error).__name__

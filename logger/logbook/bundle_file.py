"""Proof bundles as files: written whole or not at all, read with a bound, never over something else of the user's."""

from __future__ import annotations

import os
from pathlib import Path

from logger.errors import InputWrong, StorageFailed, ZerofirstError
from logger.logbook.proofs import BUNDLE_BYTES_AT_MOST, Bundle, read_bundle


def load_bundle(path: Path) -> Bundle:
    """Read a bundle file.

    Raises:
        InputWrong: if it cannot be read or is no bundle.
        LogbookDamaged: if it holds more than a bundle does.
    """
    return read_bundle(read_text(path, "proof bundle"))


def read_text(path: Path, what: str) -> str:
    """A small text file of a stranger's, whole.

    Raises:
        InputWrong: if it is missing, too large, or no text.
    """
    try:
        with path.open("rb") as file:
            data = file.read(BUNDLE_BYTES_AT_MOST + 1)
        if len(data) > BUNDLE_BYTES_AT_MOST:
            raise InputWrong(f"{path} is too large for a {what}", "name another file")
        return data.decode("utf-8")
    except FileNotFoundError as error:
        raise InputWrong(f"There is no file {path}", f"name a {what}") from error
    except (OSError, ValueError) as error:
        why = error.strerror if isinstance(error, OSError) and error.strerror else "it is no text"
        raise InputWrong(f"{path} is no {what} that can be read ({why})", "name another file") from error


def write_bundle(path: Path, bundle: Bundle) -> None:
    """Write a bundle; an older bundle of that name is replaced, anything else is left alone.

    Raises:
        InputWrong: if the name is taken by something else, or its folder does not take a file.
        StorageFailed: if the disk failed.
    """
    try:
        _refuse_other(path)
        draft = path.with_name(f".{path.name}.{os.getpid()}.new")
        try:
            with draft.open("x", encoding="utf-8", newline="\n") as file:
                file.write(bundle.text() + "\n")
                file.flush()
                os.fsync(file.fileno())
            draft.replace(path)
        finally:
            draft.unlink(missing_ok=True)
    except (FileNotFoundError, PermissionError, NotADirectoryError, IsADirectoryError, ValueError) as error:
        why = getattr(error, "strerror", None) or error
        raise InputWrong(f"{path} cannot be written ({why})", "name another file") from error
    except OSError as error:
        raise StorageFailed(f"{path} could not be written ({error.strerror or error})", "check the disk") from error


def _refuse_other(path: Path) -> None:
    if not path.exists() or (path.is_file() and path.stat().st_size == 0):
        return
    try:
        load_bundle(path)
    except ZerofirstError as error:
        raise InputWrong(f"{path} exists already and is no proof bundle", "name another file") from error

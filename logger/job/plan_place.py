"""Where the other files of a plan may lie: in its folder or below, so that a stranger's plan opens nothing else."""

from __future__ import annotations

import stat
from pathlib import Path, PurePosixPath, PureWindowsPath
from typing import Final

from logger.errors import InputWrong
from logger.faults import quoted

_REMEDY: Final = "put the file beside the plan and give its name alone"


def beside(folder: Path, name: str) -> Path:
    """The file that a plan in `folder` names, as a whole path without links.

    Raises:
        InputWrong: where it lies, or a link leads, outside that folder; or what is there is no file.
    """
    if _leads_away(name):
        raise InputWrong(f"{quoted(name)} does not lie in the plan's folder", _REMEDY)
    try:
        whole = (folder / name).resolve()
        if not whole.is_relative_to(folder.resolve()):
            raise InputWrong(f"{quoted(name)} leads out of the plan's folder", _REMEDY)
        mode = whole.stat().st_mode
    except FileNotFoundError as missing:
        raise InputWrong(f"There is no file {quoted(name)}", "check the name and the folder") from missing
    except (OSError, ValueError, RuntimeError) as refused:
        raise InputWrong(
            f"The file {quoted(name)} cannot be looked at", "check its name, and who may read it"
        ) from refused
    if not stat.S_ISREG(mode):
        raise InputWrong(f"{quoted(name)} is no file", _REMEDY)
    return whole


def _leads_away(name: str) -> bool:
    """Whether a path is absolute or goes up, written the one way or the other."""
    ways = (PurePosixPath(name), PureWindowsPath(name))
    return any(way.is_absolute() or way.drive or way.root or ".." in way.parts for way in ways)

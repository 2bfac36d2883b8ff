"""The sites that come with the program, and the way to any other."""

from __future__ import annotations

from pathlib import Path
from typing import Final

from drivers.simulator.site import Site
from drivers.simulator.site_file import read_site
from logger.errors import InputWrong
from logger.text import harmless

_FOLDER: Final = Path(__file__).parent / "sites"
_BESIDE: Final = (".plan.toml", ".rules.toml")
"""Endings of what lies beside a site."""


def site_names() -> tuple[str, ...]:
    """The names of the built-in sites, sorted."""
    return tuple(sorted(path.stem for path in _FOLDER.glob("*.toml") if not path.name.endswith(_BESIDE)))


def load_site(name_or_path: str | Path) -> Site:
    """A built-in site by its name, or the one in a TOML file.

    Raises:
        InputWrong: if there is none, or it or its plan is wrong; then it names every fault.
    """
    if str(name_or_path) in site_names():
        return read_site(_FOLDER / f"{name_or_path}.toml")
    path = Path(name_or_path)
    if not path.exists():
        known = " and ".join(site_names())
        raise InputWrong(
            f"There is no site {harmless(str(name_or_path))}",
            f"name a built-in one ({known}) or give a site's TOML file",
        )
    return read_site(path)

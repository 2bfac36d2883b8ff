"""Drivers that are installed, ours and strangers', through the entry-point group `zerofirst.drivers`.

Three grains: `names` imports nothing; `load` imports the one that was asked for and raises if it cannot be used;
`scan` imports all and raises nothing, so that one broken plug-in hides no other.
"""

from __future__ import annotations

from collections.abc import Callable, Iterable
from dataclasses import dataclass
from importlib.metadata import EntryPoint, entry_points

from drivers.api import API_VERSION, Driver
from logger.errors import InputWrong
from logger.text import harmless

GROUP = "zerofirst.drivers"
"""Entry-point group; an entry's name is what people write in `?driver=NAME`."""

Source = Callable[[], Iterable[EntryPoint]]
"""Where offers come from; the installed distributions, except in tests."""


def installed() -> Iterable[EntryPoint]:
    """Every entry of the group, of every installed distribution."""
    return entry_points(group=GROUP)


@dataclass(frozen=True, slots=True)
class Offer:
    """A driver that a distribution offers, in the distribution's own words made harmless.

    Attributes:
        error: why it cannot be used; empty where it can, or was not tried.
    """

    name: str
    distribution: str
    version: str
    error: str = ""


def names(source: Source = installed) -> tuple[str, ...]:
    """The names that can be asked for, sorted, each once."""
    return tuple(sorted({entry.name for entry in source()}))


def load(name: str, source: Source = installed) -> Driver:
    """The driver of that name.

    Raises:
        InputWrong: if there is none, if two distributions offer it, or if it cannot be used.
    """
    return _loaded(_the_one(name, source))


def version_of(name: str, source: Source = installed) -> str:
    """Distribution and version that offer `name`, as `zerofirst 0.1.0`: what a record says of its driver.

    Raises:
        InputWrong: if there is none, or if two distributions offer it.
    """
    offer = _offer(_the_one(name, source))
    return f"{offer.distribution} {offer.version}"


def scan(source: Source = installed) -> tuple[Offer, ...]:
    """Every offer, sorted, tried out."""
    return tuple(_tried(entry, source) for entry in sorted(source(), key=lambda e: (e.name, _offer(e).distribution)))


def _tried(entry: EntryPoint, source: Source) -> Offer:
    try:
        _loaded(_the_one(entry.name, source))
    except InputWrong as wrong:
        return _offer(entry, wrong.sentence)
    return _offer(entry)


def _offer(entry: EntryPoint, error: str = "") -> Offer:
    distribution = entry.dist.name if entry.dist is not None else "unknown"
    version = entry.dist.version if entry.dist is not None else ""
    return Offer(harmless(entry.name), harmless(distribution), harmless(version), error)


def _the_one(name: str, source: Source) -> EntryPoint:
    offered = [entry for entry in source() if entry.name == name]
    if not offered:
        there_are = ", ".join(harmless(known) for known in names(source)) or "none"
        raise InputWrong(f"There is no driver {harmless(name)!r}", f"installed are: {there_are}")
    if len(offered) > 1:
        both = " and ".join(sorted(_offer(entry).distribution for entry in offered))
        raise InputWrong(f"The driver {harmless(name)!r} is offered by {both}", "uninstall all but one of them")
    return offered[0]


def _loaded(entry: EntryPoint) -> Driver:
    offer = _offer(entry)
    who = f"The driver {offer.name!r} of {offer.distribution} {offer.version}"
    try:
        offered = entry.load()
        driver = offered() if isinstance(offered, type) else offered
    except (Exception, SystemExit) as error:  # a plug-in may fail in any way; the sentence carries how
        said = harmless(f"{type(error).__name__}: {error}")
        raise InputWrong(f"{who} cannot be loaded ({said})", "reinstall it, or uninstall it") from error
    api_version = getattr(driver, "api_version", None)
    if not callable(getattr(driver, "converse", None)) or not isinstance(getattr(driver, "name", None), str):
        raise InputWrong(f"{who} is no driver: it lacks `name` or `converse`", "tell its author")
    if api_version != API_VERSION:
        got = harmless(repr(api_version))
        raise InputWrong(f"{who} is written for version {got} of drivers, this is {API_VERSION}", "update the older")
    checked: Driver = driver
    return checked

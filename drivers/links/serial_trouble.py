"""Why a serial port does not open, in plain words with a remedy. Knows the errors of every system; opens nothing."""

from __future__ import annotations

import errno
import sys
from pathlib import Path

from drivers.links.serial_place import SerialPlace
from logger.errors import LinkFailed, LinkReason
from logger.text import harmless

NAMES_AT_MOST = 8
"""Most port names in one sentence."""

_BY_NUMBER = {
    errno.ENOENT: LinkReason.MISSING,
    errno.ENODEV: LinkReason.MISSING,
    errno.ENXIO: LinkReason.MISSING,
    errno.EACCES: LinkReason.FORBIDDEN,
    errno.EPERM: LinkReason.FORBIDDEN,
    errno.EBUSY: LinkReason.BUSY,
    errno.EAGAIN: LinkReason.BUSY,
    errno.EWOULDBLOCK: LinkReason.BUSY,
}
"""Errors with a number. EAGAIN is what the exclusive lock answers when another holds it."""

_BY_NAME_IN_TEXT = {"FileNotFoundError": LinkReason.MISSING, "PermissionError": LinkReason.BUSY}
"""Windows: pyserial gives no number, only the system's error spelt out; whoever comes second is denied access."""


def open_failure(place: SerialPlace, baud: int, error: Exception) -> LinkFailed:
    """What to tell the operator when opening the port raised `error`. May list the ports that there are."""
    reason = _reason(error)
    shown = harmless(place.path)
    if reason is LinkReason.MISSING:
        return LinkFailed(f"There is no serial port {shown}", _what_there_is(place), reason)
    if reason is LinkReason.BUSY:
        remedy = "close the program that uses it (a terminal, another recorder) and try again"
        return LinkFailed(f"The serial port {shown} is held by another program", remedy, reason)
    if reason is LinkReason.FORBIDDEN:
        return LinkFailed(f"The serial port {shown} is forbidden to you", _how_to_be_allowed(), reason)
    if _is_no_port(place.path, error):
        return LinkFailed(f"{shown} is no serial port", _what_there_is(place), LinkReason.MISSING)
    if isinstance(error, (ValueError, OverflowError)):
        remedy = "check ?baud= against the meter's manual"
        return LinkFailed(f"The serial port {shown} cannot run at {baud} baud", remedy, reason)
    said = harmless(str(error)) or type(error).__name__
    remedy = "check that it is a serial port (`zerofirst meters` lists them) and plug it in again"
    return LinkFailed(f"The serial port {shown} cannot be opened ({said})", remedy, reason)


def _reason(error: Exception) -> LinkReason:
    number = getattr(error, "errno", None)
    if isinstance(number, int):
        return _BY_NUMBER.get(number, LinkReason.BROKEN)
    text = str(error)
    return next((reason for name, reason in _BY_NAME_IN_TEXT.items() if name in text), LinkReason.BROKEN)


def _is_no_port(path: str, error: Exception) -> bool:
    """Whether something else is there: a file, a folder, or a device that is no terminal line (`ENOTTY`)."""
    if Path(path).exists() and not Path(path).is_char_device():
        return True
    behind = error.__context__
    return behind is not None and bool(behind.args) and behind.args[0] == errno.ENOTTY


def _what_there_is(place: SerialPlace) -> str:
    ports, is_whole = place.ports()
    if ports:
        names = ", ".join(harmless(port.path) for port in ports[:NAMES_AT_MOST])
        return f"plug the meter in, or take one of those that there are: {names}"
    if not is_whole:
        return "plug the meter in, and see `zerofirst meters`"
    return "plug the meter in: this machine has no serial port at the moment"


def _how_to_be_allowed(system: str = sys.platform) -> str:
    if system == "linux":
        return (
            "have yourself added to the group that owns it, mostly dialout (`sudo usermod -aG dialout $USER`), "
            "then log out and in again"
        )
    return "allow this program or this user to use it in the system's settings"

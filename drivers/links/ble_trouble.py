"""Why Bluetooth does not work, in plain words with a remedy. Knows the errors of every system; calls nothing.

What bleak raises differs by system and by moment, bare `OSError`, `KeyError` and `AssertionError` among it, so
everything is taken in here, and what is not known by name is told in its own words.
"""

from __future__ import annotations

import sys
from typing import Final

from bleak.exc import (
    BleakBluetoothNotAvailableError,
    BleakBluetoothNotAvailableReason,
    BleakDBusError,
    BleakDeviceNotFoundError,
    BleakGATTProtocolError,
    BleakGATTProtocolErrorCode,
)

from logger.errors import LinkFailed, LinkReason
from logger.text import harmless

SAID_AT_MOST: Final = 120
"""Longest text of a system's own that goes into a sentence, characters."""

ELSE_BY_CABLE: Final = "or connect the meter by cable (serial:) or network (tcp:)"

_SWITCH_ON: Final = {
    "linux": "switch it on in the system's settings (or `rfkill unblock bluetooth` and `bluetoothctl power on`)",
    "darwin": "switch it on in the Control Centre",
    "win32": "switch it on in the system's settings",
}

_ALLOW: Final = {
    "linux": "have an administrator allow this user to use Bluetooth (group bluetooth, or a rule of the system bus)",
    "darwin": "allow your terminal in System Settings, Privacy & Security, Bluetooth, then start it again",
    "win32": "allow programs to use Bluetooth in the system's privacy settings",
}

_NO_SERVICE_NAMES: Final = frozenset(
    f"org.freedesktop.DBus.Error.{name}" for name in ("ServiceUnknown", "NameHasNoOwner", "Disconnected")
)

_GONE_NAMES: Final = frozenset(f"org.freedesktop.DBus.Error.{name}" for name in ("UnknownObject", "UnknownMethod"))

_PAIRING_CODES: Final = frozenset(
    {
        BleakGATTProtocolErrorCode.INSUFFICIENT_AUTHENTICATION,
        BleakGATTProtocolErrorCode.INSUFFICIENT_AUTHORIZATION,
        BleakGATTProtocolErrorCode.INSUFFICIENT_ENCRYPTION,
        BleakGATTProtocolErrorCode.INSUFFICIENT_ENCRYPTION_KEY_SIZE,
    }
)

_PAIRING_NAMES: Final = frozenset(
    f"org.bluez.Error.{name}"
    for name in ("AuthenticationFailed", "AuthenticationRejected", "AuthenticationCanceled", "NotPermitted")
)


def failure_of(error: BaseException, meter: str) -> LinkFailed:
    """What to tell the operator when Bluetooth raised `error` for the meter shown as `meter` (empty: for none in
    particular); the cause is kept."""
    if isinstance(error, LinkFailed):
        return error
    failure = _failure(error, meter)
    failure.__cause__ = error
    return failure


def _failure(error: BaseException, meter: str) -> LinkFailed:
    return _system_failure(error) or (_meter_failure(error, meter) if meter else _no_bluetooth(error))


def _system_failure(error: BaseException) -> LinkFailed | None:
    """Of this machine's Bluetooth, whatever was wanted of it; None if that is not it."""
    if isinstance(error, BleakBluetoothNotAvailableError):
        return _not_available(error)
    if isinstance(error, BleakDBusError):
        return _bus_error(error.dbus_error)
    if isinstance(error, TimeoutError):
        return None
    if isinstance(error, OSError) or type(error).__name__ in {"InvalidAddressError", "AuthTimeoutError"}:
        return _no_service()
    return None


def _meter_failure(error: BaseException, meter: str) -> LinkFailed:
    name = error.dbus_error if isinstance(error, BleakDBusError) else ""
    if isinstance(error, BleakDeviceNotFoundError) or name in _GONE_NAMES:
        return not_in_reach(meter)
    if name in _PAIRING_NAMES or (isinstance(error, BleakGATTProtocolError) and error.code in _PAIRING_CODES):
        return _wants_pairing(meter)
    if isinstance(error, TimeoutError):
        return LinkFailed(
            f"The Bluetooth meter {meter} does not answer", "bring it nearer and switch it on", LinkReason.SILENT
        )
    return LinkFailed(
        f"The Bluetooth meter {meter} could not be connected ({_said(error)})",
        "bring it nearer, switch it off and on, and try again",
        LinkReason.BROKEN,
    )


def _no_bluetooth(error: BaseException) -> LinkFailed:
    return LinkFailed(f"Bluetooth does not work ({_said(error)})", "switch it off and on", LinkReason.UNAVAILABLE)


def _said(error: BaseException) -> str:
    return harmless(str(error) or type(error).__name__, SAID_AT_MOST)


def not_in_reach(meter: str) -> LinkFailed:
    """It was looked for and not found."""
    return LinkFailed(
        f"The Bluetooth meter {meter} is not in reach",
        "bring it nearer, switch it on, and disconnect it from any other device; "
        "`zerofirst meters` shows which are in reach",
        LinkReason.MISSING,
    )


def no_service_found(meter: str) -> LinkFailed:
    """It is connected, and has not what a meter must have, at the second look as at the first."""
    return LinkFailed(
        f"The Bluetooth device {meter} does not offer a meter's service",
        "check that it is the meter; if it is, switch it off and on, and remove it from this machine's paired devices",
        LinkReason.REFUSED,
    )


def several_of_that_name(meter: str, addresses: list[str]) -> LinkFailed:
    """A name that does not tell which."""
    listed = ", ".join(f"ble:{harmless(address)}" for address in sorted(addresses))
    return LinkFailed(f"Several Bluetooth devices call themselves {meter}", f"name one: {listed}", LinkReason.BUSY)


def busy() -> LinkFailed:
    """Another Bluetooth operation is under way."""
    return LinkFailed("The Bluetooth adapter is busy with something else", "wait a moment", LinkReason.BUSY)


def stuck(meter: str) -> LinkFailed:
    """Another Bluetooth operation is under way, again and again."""
    remove = f"`bluetoothctl remove {meter}`, or " if meter else ""
    return LinkFailed(
        "The Bluetooth adapter stays busy with something else",
        f"close other programs that use Bluetooth; if that does not help, {remove}switch Bluetooth off and on",
        LinkReason.BUSY,
    )


def hung() -> LinkFailed:
    """Calls into the system's Bluetooth did not come back, one after the other."""
    return LinkFailed(
        "This machine's Bluetooth does not answer any more",
        "switch it off and on, then start this program again",
        LinkReason.UNAVAILABLE,
    )


def forbidden(system: str = sys.platform) -> LinkFailed:
    """The system does not let this program use Bluetooth."""
    return LinkFailed(
        "The system does not allow this program to use Bluetooth", _by(_ALLOW, system), LinkReason.FORBIDDEN
    )


def is_in_progress(error: BaseException) -> bool:
    """Whether the adapter was busy with another scan or connection."""
    return isinstance(error, BleakDBusError) and error.dbus_error == "org.bluez.Error.InProgress"


def _not_available(error: BleakBluetoothNotAvailableError) -> LinkFailed:
    reasons = BleakBluetoothNotAvailableReason
    if error.reason is reasons.NO_BLUETOOTH:
        return LinkFailed(
            "This machine has no Bluetooth adapter", f"plug one in, {ELSE_BY_CABLE}", LinkReason.UNAVAILABLE
        )
    if error.reason is reasons.NO_BLE_CENTRAL_ROLE:
        return LinkFailed(
            "This machine's Bluetooth adapter cannot reach meters (it has no Bluetooth LE)",
            f"plug in one that can, {ELSE_BY_CABLE}",
            LinkReason.UNAVAILABLE,
        )
    if error.reason is reasons.POWERED_OFF:
        return _switched_off()
    if error.reason is reasons.UNKNOWN:
        said = harmless(str(error.args[0]), SAID_AT_MOST)
        return LinkFailed(f"Bluetooth is not available ({said})", _by(_SWITCH_ON), LinkReason.UNAVAILABLE)
    return forbidden()


def _bus_error(name: str) -> LinkFailed | None:
    if name == "org.bluez.Error.NotReady":
        return _switched_off()
    if name == "org.bluez.Error.InProgress":
        return busy()
    if name in _NO_SERVICE_NAMES:
        return _no_service()
    if name == "org.freedesktop.DBus.Error.AccessDenied":
        return forbidden()
    if name in {"org.freedesktop.DBus.Error.NoReply", "org.freedesktop.DBus.Error.Timeout"}:
        return hung()
    return None


def _no_service() -> LinkFailed:
    return LinkFailed(
        "The system's Bluetooth service is not running",
        f"start it (`sudo systemctl start bluetooth`; its package is bluez), {ELSE_BY_CABLE}",
        LinkReason.UNAVAILABLE,
    )


def _switched_off() -> LinkFailed:
    return LinkFailed("Bluetooth is switched off", _by(_SWITCH_ON), LinkReason.UNAVAILABLE)


def _wants_pairing(meter: str) -> LinkFailed:
    return LinkFailed(
        f"The Bluetooth meter {meter} wants to be paired first",
        "pair it in the system's Bluetooth settings, then try again",
        LinkReason.FORBIDDEN,
    )


def _by(remedies: dict[str, str], system: str = sys.platform) -> str:
    return remedies.get(system, remedies["linux"])

"""No adapter, switched off, no service, no permission, busy, stale tables: each is a sentence with a remedy."""

from __future__ import annotations

import asyncio
import subprocess
import sys
from collections.abc import Iterator
from pathlib import Path

import pytest
from air_parts import bytes_of, is_at_rest, links_to, run, until
from bleak.exc import (
    BleakBluetoothNotAvailableError,
    BleakBluetoothNotAvailableReason,
    BleakDBusError,
    BleakDeviceNotFoundError,
    BleakError,
    BleakGATTProtocolError,
)
from ether import BATTERY, METER, NOTIFIES, TAKES, AirMeter, Ether, ether
from mini_bluez import Characteristic, Service
from private_bus import VARIABLE

from drivers.links import ble_permission, ble_radio
from drivers.links.ble import BleLink, BleLinks
from drivers.links.ble_air import Air
from drivers.links.ble_trouble import failure_of, forbidden
from logger.errors import LinkFailed, LinkLost, LinkReason

WHERE = "C0:FF:EE:00:00:01"


async def opened(links: BleLinks) -> BleLink:
    """A link that opens: at once, or as soon as the system has told of what has changed."""
    async with asyncio.timeout(60):
        while True:
            link = links()
            try:
                await link.open()
            except LinkFailed:
                await link.close()
                await asyncio.sleep(0.02)
            else:
                return link


async def refused(links: BleLinks) -> LinkFailed:
    """Why a link does not open."""
    link = links()
    with pytest.raises(LinkFailed) as failed:
        await link.open()
    await link.close()
    return failed.value


@pytest.fixture
def air() -> Iterator[Air]:
    bluetooth = Air()
    yield bluetooth
    bluetooth.close()


@pytest.mark.parametrize(
    ("options", "sentence"),
    [({"has_adapter": False}, "no Bluetooth adapter"), ({"is_powered": False}, "Bluetooth is switched off")],
)
def test_without_an_adapter_or_switched_off(
    air: Air, monkeypatch: pytest.MonkeyPatch, options: dict[str, bool], sentence: str
) -> None:
    async def test() -> None:
        failure = await refused(links_to(WHERE, air))
        assert sentence in failure.sentence
        assert failure.remedy
        assert failure.reason is LinkReason.UNAVAILABLE

    with ether(**options) as sky:
        monkeypatch.setenv(VARIABLE, sky.bus.address)
        run(test)


@pytest.mark.parametrize("where", ["unix:path=/nonexistent/bus", "nonsense:", "unix:path={}"])
def test_without_a_system_bus(air: Air, monkeypatch: pytest.MonkeyPatch, tmp_path: Path, where: str) -> None:
    (tmp_path / "file").touch()
    monkeypatch.setenv(VARIABLE, where.format(tmp_path / "file"))

    async def test() -> None:
        failure = await refused(links_to(WHERE, air))
        assert failure.sentence == "The system's Bluetooth service is not running"
        assert "systemctl start bluetooth" in failure.remedy

    run(test)


def test_the_service_stops_and_starts_again(sky: Ether, adapter: Air) -> None:
    meter = sky.meter()

    async def test() -> None:
        links = links_to(WHERE, adapter)
        link = links()
        await link.open()
        sky.stop_service()
        with pytest.raises(LinkLost):
            await link.send(b"?")
        await link.close()
        assert "service is not running" in (await refused(links)).sentence
        sky.run(lambda: setattr(meter.peer, "is_connected", False))
        sky.restart()
        link = await opened(links)
        meter.send(b"back")
        assert await bytes_of(link, 4) == b"back"
        await link.close()

    run(test)
    assert is_at_rest(adapter)


def test_the_adapter_is_pulled_out_and_plugged_in(sky: Ether, adapter: Air) -> None:
    meter = sky.meter()

    async def test() -> None:
        links = links_to(WHERE, adapter)
        link = links()
        await link.open()
        sky.run(sky.bluez.unplug)
        with pytest.raises(LinkLost):
            await link.receive()
        await link.close()
        assert "no Bluetooth adapter" in (await refused(links)).sentence
        sky.run(sky.bluez.plug_in)
        link = await opened(links)
        meter.send(b"back")
        assert await bytes_of(link, 4) == b"back"
        await link.close()

    run(test)


def test_bluetooth_is_switched_off_and_on(sky: Ether, adapter: Air) -> None:
    sky.meter()

    async def test() -> None:
        links = links_to(WHERE, adapter)
        link = links()
        await link.open()
        sky.run(lambda: sky.bluez.power(False))
        with pytest.raises(LinkLost):
            await link.receive()
        await link.close()
        assert (await refused(links)).sentence == "Bluetooth is switched off"
        sky.run(lambda: sky.bluez.power(True))
        link = await opened(links)
        await link.close()

    run(test)


def test_the_system_bus_itself_dies(sky: Ether, adapter: Air) -> None:
    sky.meter()

    async def test() -> None:
        links = links_to(WHERE, adapter)
        link = links()
        await link.open()
        sky.bus.kill()
        with pytest.raises(LinkLost):
            await link.receive()
        await link.close()
        assert "service is not running" in (await refused(links)).sentence

    run(test)


def test_an_adapter_that_stays_busy_is_told_at_the_third_time(sky: Ether, adapter: Air) -> None:
    meter = sky.meter()
    busy = ("org.bluez.Error.InProgress", "Operation already in progress")
    sky.bluez.scan_errors = [busy]
    meter.peer.connect_errors = [busy, busy]

    async def test() -> None:
        links = links_to(WHERE, adapter)
        for _ in range(2):
            failure = await refused(links)
            assert (failure.sentence, failure.reason) == (
                "The Bluetooth adapter is busy with something else",
                LinkReason.BUSY,
            )
        failure = await refused(links)
        assert failure.sentence == "The Bluetooth adapter stays busy with something else"
        assert f"bluetoothctl remove {WHERE}" in failure.remedy
        link = links()
        await link.open()
        await link.close()
        meter.peer.connect_errors = [busy]
        assert "stays" not in (await refused(links)).sentence

    run(test)


def test_a_meter_that_wants_to_be_paired(sky: Ether, adapter: Air) -> None:
    meter = sky.meter()
    meter.peer.connect_errors = [("org.bluez.Error.AuthenticationRejected", "Authentication Rejected")]

    async def test() -> None:
        links = links_to(WHERE, adapter)
        assert (await refused(links)).reason is LinkReason.FORBIDDEN
        for code in ("0x05", "0x0f"):
            sky.bluez.refuse = [("org.bluez.Error.Failed", f"Operation failed with ATT error: {code}")]
            failure = await refused(links)
            assert "wants to be paired first" in failure.sentence
            assert failure.reason is LinkReason.FORBIDDEN

    run(test)


def test_a_table_that_lacks_the_service_is_looked_at_twice(sky: Ether, adapter: Air) -> None:
    meter = sky.meter()
    lacking: list[list[Service]] = [
        [],
        [Service(BATTERY, [])],
        [Service(METER, [])],
        [Service(METER, [Characteristic(NOTIFIES, ["notify"])])],
        [Service(METER, [Characteristic(NOTIFIES, ["read"]), Characteristic(TAKES, ["write"])])],
        [Service(METER, [Characteristic(NOTIFIES, ["notify"]), Characteristic(TAKES, ["read"])])],
    ]

    async def test() -> None:
        for services in lacking:
            before = sky.bluez.connects
            meter.peer.services = services
            failure = await refused(links_to(WHERE, adapter))
            assert failure.sentence == f"The Bluetooth device {WHERE} does not offer a meter's service"
            assert failure.reason is LinkReason.REFUSED
            assert sky.bluez.connects == before + 2

    run(test)
    assert is_at_rest(adapter)


def test_a_stale_table_is_forgotten_and_read_anew(sky: Ether, adapter: Air) -> None:
    meter = sky.meter()
    meter.peer.stale_services = [Service(BATTERY, [])]

    async def test() -> None:
        link = links_to(WHERE, adapter)()
        await link.open()
        meter.send(b"fresh")
        assert await bytes_of(link, 5) == b"fresh"
        await link.close()
        meter.peer.paired = True
        meter.peer.stale_services = [Service(BATTERY, [])]
        sky.run(lambda: sky.bluez._forget(meter.peer))
        await refused(links_to(WHERE, adapter))
        assert meter.peer.stale_services is not None  # what the operator paired is not undone

    run(test)


def test_a_table_that_vanishes_under_the_connection(sky: Ether, adapter: Air) -> None:
    meter = sky.meter()

    async def test() -> None:
        link = links_to(WHERE, adapter)()
        await link.open()
        sky.run(lambda: sky.bluez.vanish_table(meter.peer))
        with pytest.raises(LinkLost, match="takes no bytes"):
            await link.send(b"?")
        await link.close()

    run(test)


def test_names_find_a_meter_and_two_of_one_name_are_told(sky: Ether, adapter: Air) -> None:
    first = sky.meter(WHERE, "Bench 1")
    second = sky.meter("C0:FF:EE:00:00:02", "Bench 2")

    async def test() -> None:
        links = links_to("Bench 2", adapter)
        link = links()
        await link.open()
        assert links.address == second.peer.address
        assert second.peer.is_connected
        await link.close()
        sky.run(lambda: _rename(sky, first, "Bench 2"))
        link = links()
        await link.open()  # where it was last time is known
        assert second.peer.is_connected
        await link.close()
        failure = await refused(links_to("Bench 2", adapter))
        assert "Several Bluetooth devices call themselves Bench 2" in failure.sentence
        assert failure.remedy == f"name one: ble:{WHERE}, ble:{second.peer.address}"

    run(test)


def _rename(sky: Ether, meter: AirMeter, name: str) -> None:
    meter.peer.name = name
    sky.bluez._forget(meter.peer)


@pytest.mark.parametrize("spelling", ["c0:ff:ee:00:00:01", "C0-FF-EE-00-00-01"])
def test_an_address_is_found_however_it_is_spelt(sky: Ether, adapter: Air, spelling: str) -> None:
    meter = sky.meter(WHERE)

    async def test() -> None:
        link = links_to(spelling, adapter)()
        await link.open()
        assert meter.peer.is_connected
        await link.close()

    run(test)


KILLED = """
import asyncio, os, sys
from drivers.links.ble import BleLink, BleLinks
from logger.clock import SystemClock
asyncio.run(BleLinks(sys.argv[1], SystemClock())().open())
os._exit(0)
"""


def test_a_meter_that_a_killed_program_left_connected_is_found(sky: Ether, adapter: Air) -> None:
    meter = sky.meter(WHERE)
    subprocess.run([sys.executable, "-c", KILLED, WHERE], check=True, timeout=30)
    assert meter.peer.is_connected
    meter.peer.is_advertising = False

    async def test() -> None:
        link = links_to(WHERE, adapter)()
        await link.open()
        assert sky.bluez.connects == 1
        meter.send(b"here")
        assert await bytes_of(link, 4) == b"here"
        await link.close()

    run(test)


def test_out_of_reach_is_told_and_costs_no_others_turn(
    sky: Ether, adapter: Air, monkeypatch: pytest.MonkeyPatch
) -> None:
    here = sky.meter(WHERE)

    async def test() -> None:
        gone = [links_to(f"C0:FF:EE:00:01:{number:02X}", adapter)() for number in range(8)]
        openings = [asyncio.ensure_future(link.open()) for link in gone]
        await until(lambda: sky.bluez.scans == 1)
        link = links_to(WHERE, adapter)()
        loop = asyncio.get_running_loop()
        started = loop.time()
        await link.open()
        assert loop.time() - started < 1
        assert here.peer.is_connected
        assert not any(opening.done() for opening in openings)
        failures = await asyncio.gather(*openings, return_exceptions=True)
        assert all("is not in reach" in str(failure) for failure in failures)
        for each in (link, *gone):
            await each.close()

    monkeypatch.setattr(ble_radio, "FIND_LIMIT_S", 1.5)
    run(test)
    assert sky.bluez.overlaps == 0


def bus(name: str, text: str = "") -> BleakDBusError:
    return BleakDBusError(name, [text])


def unavailable(reason: BleakBluetoothNotAvailableReason) -> BleakBluetoothNotAvailableError:
    return BleakBluetoothNotAvailableError("said \x1b[2J", reason)


_R = BleakBluetoothNotAvailableReason
_D = "org.freedesktop.DBus.Error."


@pytest.mark.parametrize(
    ("error", "words", "reason"),
    [
        (unavailable(_R.NO_BLUETOOTH), "no Bluetooth adapter", LinkReason.UNAVAILABLE),
        (unavailable(_R.NO_BLE_CENTRAL_ROLE), "no Bluetooth LE", LinkReason.UNAVAILABLE),
        (unavailable(_R.POWERED_OFF), "switched off", LinkReason.UNAVAILABLE),
        (unavailable(_R.DENIED_BY_USER), "does not allow", LinkReason.FORBIDDEN),
        (unavailable(_R.DENIED_BY_SYSTEM), "does not allow", LinkReason.FORBIDDEN),
        (unavailable(_R.DENIED_BY_UNKNOWN), "does not allow", LinkReason.FORBIDDEN),
        (unavailable(_R.UNKNOWN), "not available (said ␛", LinkReason.UNAVAILABLE),
        (bus("org.bluez.Error.NotReady"), "switched off", LinkReason.UNAVAILABLE),
        (bus(_D + "ServiceUnknown"), "service is not running", LinkReason.UNAVAILABLE),
        (bus(_D + "AccessDenied"), "does not allow", LinkReason.FORBIDDEN),
        (bus(_D + "NoReply"), "does not answer any more", LinkReason.UNAVAILABLE),
        (bus(_D + "UnknownObject"), "not in reach", LinkReason.MISSING),
        (bus("org.bluez.Error.Failed", "le-connection-abort-by-local"), "abort-by-local", LinkReason.BROKEN),
        (BleakDeviceNotFoundError("x", "gone"), "not in reach", LinkReason.MISSING),
        (BleakGATTProtocolError(0x05), "wants to be paired", LinkReason.FORBIDDEN),
        (BleakGATTProtocolError(0x0E), "could not be connected", LinkReason.BROKEN),
        (TimeoutError(), "does not answer", LinkReason.SILENT),
        (FileNotFoundError(2, "no bus"), "service is not running", LinkReason.UNAVAILABLE),
        (BleakError("odd\x07thing"), "(odd␇thing)", LinkReason.BROKEN),
        (AssertionError(), "(AssertionError)", LinkReason.BROKEN),
        (KeyError("Adapter"), "('Adapter')", LinkReason.BROKEN),
        (BleakError("y" * 10_000), "yyy…", LinkReason.BROKEN),
    ],
)
def test_every_error_has_its_sentence_and_its_remedy(error: Exception, words: str, reason: LinkReason) -> None:
    failure = failure_of(error, "M")
    assert words in failure.sentence
    assert failure.reason is reason
    assert failure.remedy
    assert failure.__cause__ is error
    assert len(str(failure)) < 400
    assert "\x1b" not in str(failure)


@pytest.mark.parametrize(
    ("error", "words"),
    [
        (BleakError("adapter 'hci0' not found"), "Bluetooth does not work (adapter 'hci0' not found)"),
        (TimeoutError(), "Bluetooth does not work (TimeoutError)"),
        (bus("org.bluez.Error.Failed", "odd"), "Bluetooth does not work ([org.bluez.Error.Failed] odd)"),
        (bus("org.bluez.Error.NotReady"), "Bluetooth is switched off"),
    ],
)
def test_what_goes_wrong_while_listening_names_no_meter(error: Exception, words: str) -> None:
    failure = failure_of(error, "")
    assert failure.sentence == words
    assert failure.reason is LinkReason.UNAVAILABLE


def test_each_system_has_its_own_way_to_be_allowed() -> None:
    remedies = {system: forbidden(system).remedy for system in ("linux", "darwin", "win32", "other")}
    assert "Privacy & Security" in remedies["darwin"]
    assert "privacy settings" in remedies["win32"]
    assert remedies["other"] == remedies["linux"]


def test_a_refusal_that_ends_the_program_ends_a_child_instead() -> None:
    async def test() -> None:
        await ble_permission.ask((sys.executable, "-c", "raise SystemExit(1)"))
        with pytest.raises(LinkFailed, match="does not allow this program to use Bluetooth"):
            await ble_permission.ask((sys.executable, "-c", "import os; os.abort()"))

    run(test)


def test_a_child_that_waits_for_an_answer_is_not_waited_for_long(monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setattr(ble_permission, "PROBE_LIMIT_S", 0.05)

    async def test() -> None:
        await ble_permission.ask((sys.executable, "-c", "import threading; threading.Event().wait()"))

    run(test)


def test_permission_is_asked_for_once_and_a_refusal_is_told_by_the_link(
    sky: Ether, adapter: Air, monkeypatch: pytest.MonkeyPatch
) -> None:
    sky.meter(WHERE)
    monkeypatch.setattr(ble_permission._Known, "allowed", False)
    monkeypatch.setattr(ble_permission, "COMMAND", (sys.executable, "-c", "import os; os.abort()"))

    async def test() -> None:
        assert (await refused(links_to(WHERE, adapter))).reason is LinkReason.FORBIDDEN
        monkeypatch.setattr(ble_permission, "COMMAND", (sys.executable, "-c", ""))
        link = links_to(WHERE, adapter)()
        await link.open()
        await link.close()
        assert ble_permission._Known.allowed

    run(test)

"""The Bluetooth link against an `org.bluez` without a radio: bytes, drops, deadlines, and what never reaches a line."""

from __future__ import annotations

import asyncio
from typing import Any

import pytest
from air_parts import all_of, bytes_of, is_at_rest, links_to, radio_of, run, until
from bleak import BleakClient
from bleak.backends.bluezdbus.client import BleakClientBlueZDBus
from ether import TEXTS, Ether

from drivers.links import ble, ble_connection, ble_radio
from drivers.links.ble_air import Air
from drivers.links.ble_radio import Radio, Stack
from logger.errors import LinkFailed, LinkLost, LinkReason
from logger.reading import Identity

STREAM = bytes(range(256)) * 20


@pytest.mark.parametrize("mtu", [23, 247, 517])
def test_bytes_pass_whole_and_in_order_whatever_fits_one_packet(sky: Ether, adapter: Air, mtu: int) -> None:
    meter = sky.meter()
    meter.peer.mtu = mtu
    heard: list[bytes] = []
    meter.hear = heard.append

    async def test() -> None:
        link = links_to(meter.peer.address, adapter)()
        await link.open()
        meter.send(STREAM)
        assert await bytes_of(link, len(STREAM)) == STREAM
        await link.send(STREAM[:700])
        assert b"".join(heard) == STREAM[:700]
        assert max(map(len, heard)) == min(mtu - 3, 700)
        await link.close()

    run(test)


def test_arrival_is_stamped_on_the_bluetooth_thread_while_the_line_is_held_up(sky: Ether, adapter: Air) -> None:
    meter = sky.meter()

    async def test() -> None:
        link = links_to(meter.peer.address, adapter)()
        await link.open()
        clock = link._clock
        before_ns = clock.mono_ns()
        meter.send(b"now")
        held_until_ns = clock.mono_ns() + 80_000_000
        while clock.mono_ns() < held_until_ns:
            pass
        chunk = await link.receive()
        assert before_ns < chunk.mono_ns < held_until_ns - 30_000_000
        await link.close()

    run(test)


def test_what_came_before_the_drop_is_handed_over_first_and_the_next_link_works(sky: Ether, adapter: Air) -> None:
    meter = sky.meter()

    async def test() -> None:
        links = links_to(meter.peer.address, adapter)
        for turn in range(3):
            link = links()
            await link.open()
            data = STREAM + bytes([turn])
            meter.send(data)
            await until(lambda: not meter.notifies.pending)
            meter.drop()
            assert await all_of(link) == data
            with pytest.raises(LinkLost, match="out of reach or was switched off"):
                await link.receive()
            with pytest.raises(LinkLost, match="is closed"):
                await link.send(b"?")
            await link.close()

    run(test)
    assert sky.bluez.overlaps == 0
    assert is_at_rest(adapter)


def test_a_link_that_was_never_opened_or_is_closed_twice_is_quiet(adapter: Air, sky: Ether) -> None:
    async def test() -> None:
        link = links_to("C0:FF:EE:00:00:09", adapter)()
        with pytest.raises(LinkLost):
            await link.receive()
        with pytest.raises(LinkLost):
            await link.send(b"x")
        await link.close()
        await link.close()
        meter = sky.meter()
        link = links_to(meter.peer.address, adapter)()
        await link.open()
        await link.close()
        await link.close()
        with pytest.raises(LinkLost, match="is closed"):
            await link.receive()
        assert not meter.peer.is_connected

    run(test)


class Haunted(BleakClientBlueZDBus):
    """bleak as it was in one of its versions: an old client goes on calling back after the next one connected."""

    callbacks: list[object] = []

    async def start_notify(self, characteristic, callback, **kwargs):  # type: ignore[no-untyped-def]
        self.callbacks.append(callback)
        await super().start_notify(characteristic, callback, **kwargs)


def test_an_old_clients_callbacks_are_dropped_and_counted(sky: Ether) -> None:
    meter = sky.meter()
    air = Air(Stack(client=Haunted))
    Haunted.callbacks = []

    async def test() -> None:
        links = links_to(meter.peer.address, air)
        first = links()
        await first.open()
        meter.drop()
        await all_of(first)
        await first.close()
        second = links()
        await second.open()
        radio_of(air)

        async def haunt(_radio: object) -> None:
            for callback in Haunted.callbacks:
                callback(bytearray(b"ghost" if callback is Haunted.callbacks[0] else b"alive"))  # type: ignore[operator]

        await air.do(haunt)
        meter.send(b"!")
        assert await bytes_of(second, 6) == b"alive!"
        assert links.late_calls == 1
        await second.close()
        await air.do(haunt)
        assert links.late_calls == 3

    run(test)
    air.close()


def test_bytes_notified_while_the_subscription_is_under_way_are_kept(sky: Ether, adapter: Air) -> None:
    meter = sky.meter()
    meter.came = lambda is_here: meter.notify(b"early ") if is_here else None

    async def test() -> None:
        link = links_to(meter.peer.address, adapter)()
        await link.open()
        meter.send(b"then")
        assert await bytes_of(link, 10) == b"early then"
        await link.close()

    run(test)


def test_empty_notifications_are_no_chunks(sky: Ether, adapter: Air) -> None:
    meter = sky.meter()

    async def test() -> None:
        link = links_to(meter.peer.address, adapter)()
        await link.open()
        sky.run(lambda: sky.bluez.notify(meter.notifies, b""))
        meter.send(b"x")
        assert (await link.receive()).data == b"x"
        await link.close()

    run(test)


def test_a_line_that_does_not_take_is_broken_and_not_thinned(
    sky: Ether, adapter: Air, monkeypatch: pytest.MonkeyPatch
) -> None:
    monkeypatch.setattr(ble, "PACKETS_AT_MOST", 8)
    meter = sky.meter()

    async def test() -> None:
        link = links_to(meter.peer.address, adapter)()
        await link.open()
        for turn in range(20):
            meter.send(bytes([turn]))
        await until(lambda: link._inbox is not None and link._inbox.ended is not None)
        assert await all_of(link) == bytes(range(8))
        with pytest.raises(LinkLost, match="faster than can be taken in"):
            await link.receive()
        await link.close()

    run(test)


def test_a_connection_that_hangs_has_its_deadline_and_leaves_nothing(
    sky: Ether, adapter: Air, monkeypatch: pytest.MonkeyPatch
) -> None:
    monkeypatch.setattr(ble_connection, "CONNECT_LIMIT_S", 0.2)
    meter = sky.meter()
    meter.peer.connect_hangs = True

    async def test() -> None:
        links = links_to(meter.peer.address, adapter)
        link = links()
        with pytest.raises(LinkFailed, match="does not answer") as failed:
            await link.open()
        assert failed.value.reason is LinkReason.SILENT
        await link.close()
        meter.peer.connect_hangs = False
        link = links()
        await link.open()
        await link.close()

    run(test)
    assert is_at_rest(adapter)


def test_a_disconnection_that_hangs_is_left_behind_and_the_next_link_waits_for_it(
    sky: Ether, adapter: Air, monkeypatch: pytest.MonkeyPatch
) -> None:
    monkeypatch.setattr(ble, "CLOSE_LIMIT_S", 0.1)
    monkeypatch.setattr(ble_connection, "DISCONNECT_LIMIT_S", 0.3)
    meter = sky.meter()
    meter.peer.disconnect_hangs = True

    async def test() -> None:
        links = links_to(meter.peer.address, adapter)
        link = links()
        await link.open()
        loop = asyncio.get_running_loop()
        started = loop.time()
        await link.close()
        assert loop.time() - started < 0.25
        assert links._place.leaving is not None
        assert not links._place.leaving.done()
        link = links()
        await link.open()  # the system still has it connected: it is found so
        assert links._place.leaving.done()
        meter.peer.disconnect_hangs = False
        meter.send(b"again")
        assert await bytes_of(link, 5) == b"again"
        await link.close()

    run(test)
    assert radio_of(adapter).patience.faults == 1


def test_opening_that_is_given_up_leaves_nothing_behind(sky: Ether, adapter: Air) -> None:
    meter = sky.meter()
    meter.peer.connect_hangs = True
    out_of_reach = sky.meter("C0:FF:EE:00:00:02")
    out_of_reach.peer.is_advertising = False

    async def test() -> None:
        links = [links_to(each.peer.address, adapter)() for each in (meter, out_of_reach)]
        openings = [asyncio.ensure_future(link.open()) for link in links]
        await until(lambda: sky.bluez.connects == 1)
        for opening in openings:
            opening.cancel()
        await asyncio.gather(*openings, return_exceptions=True)
        for link in links:
            await link.close()

    run(test)
    assert is_at_rest(adapter)


def test_many_calls_that_never_come_back_are_told_and_no_more_are_made(
    sky: Ether, monkeypatch: pytest.MonkeyPatch
) -> None:
    from drivers.links import ble_patience

    class Deaf(BleakClientBlueZDBus):
        async def connect(self, pair: bool, dangerous_use_bleak_cache: bool = False, **kwargs: object) -> None:
            while not released.is_set():
                try:
                    await released.wait()
                except asyncio.CancelledError:
                    continue

    monkeypatch.setattr(ble_connection, "CONNECT_LIMIT_S", 0.02)
    monkeypatch.setattr(ble_patience, "GRACE_S", 0.02)
    meter = sky.meter()
    air = Air(Stack(client=Deaf))

    async def prepare(_radio: object) -> asyncio.Event:
        return asyncio.Event()

    released = air.call(prepare, 5)

    async def test() -> None:
        links = links_to(meter.peer.address, air)
        for _ in range(ble_patience.LEFT_BEHIND_AT_MOST):
            link = links()
            with pytest.raises(LinkFailed, match="does not answer: bring it nearer"):
                await link.open()
            await link.close()
        link = links()
        with pytest.raises(LinkFailed, match="Bluetooth does not answer any more: switch it off and on"):
            await link.open()
        await link.close()

        async def release(_radio: object) -> None:
            released.set()

        await air.do(release)

    run(test)
    air.close()


def test_who_the_standard_services_say_it_is_is_compared_with_its_own_word(sky: Ether, adapter: Air) -> None:
    meter = sky.meter(serial="0417", maker="Kiln Works", model="TM-2", firmware="1.4", battery=88)

    async def test() -> None:
        links = links_to(meter.peer.address, adapter)
        itself = Identity("0417", "b1", "Kiln Works", "TM-2", "1.4", battery_percent=85)
        assert links.doubts(itself) == ""
        link = links()
        await link.open()
        await link.close()
        assert links.doubts(itself) == ""
        assert links.doubts(Identity("0417", "b1")) == ""
        doubt = links.doubts(Identity("0418", "b1", "Kiln Works", "TM-9", "1.4", battery_percent=20))
        assert doubt == (
            f"The Bluetooth meter {meter.peer.address} describes itself in two ways: serial number 0417 against 0418, "
            "model TM-2 against TM-9, battery 88 % against 20 %"
        )

    run(test)


def test_standard_services_that_refuse_are_slow_or_lie_do_no_harm(
    sky: Ether, adapter: Air, monkeypatch: pytest.MonkeyPatch
) -> None:
    monkeypatch.setattr(ble_connection, "SAYS_LIMIT_S", 0.2)
    meter = sky.meter(serial="0417", maker="Kiln\x1b[2J\0\0", model="x" * 500, firmware="1.4", battery=255)
    sky.bluez.refuse = [("org.bluez.Error.NotPermitted", "Read not permitted")]

    async def never() -> bytes:
        await asyncio.Event().wait()
        return b""

    async def test() -> None:
        links = links_to(meter.peer.address, adapter)
        link = links()
        await link.open()
        says = links._place.says
        assert (says.serial, says.maker, says.battery_percent) == ("", "Kiln\x1b[2J", None)
        assert len(says.model) == 64
        assert "\x1b" not in links.doubts(Identity("1", "b", maker="Other"))
        await link.close()
        meter.peer.characteristic(TEXTS["model"]).read = never
        link = links()
        await link.open()
        assert (links._place.says.serial, links._place.says.model) == ("0417", "")
        await link.close()

    run(test)


def test_a_client_object_is_used_for_one_connection_only(
    sky: Ether, adapter: Air, monkeypatch: pytest.MonkeyPatch
) -> None:
    made: list[BleakClient] = []
    new_client = Stack.new_client

    def noting(self: Stack, *arguments: Any, **options: Any) -> BleakClient:
        made.append(new_client(self, *arguments, **options))
        return made[-1]

    monkeypatch.setattr(Stack, "new_client", noting)
    meter = sky.meter()

    async def test() -> None:
        links = links_to(meter.peer.address, adapter)
        for _ in range(3):
            link = links()
            await link.open()
            await link.close()

    run(test)
    assert len({id(client) for client in made}) == 3


def test_while_others_connect_for_long_it_is_told_that_the_adapter_is_busy(
    sky: Ether, adapter: Air, monkeypatch: pytest.MonkeyPatch
) -> None:
    monkeypatch.setattr(ble_radio, "FIND_LIMIT_S", 0.5)
    slow, other = sky.meter("C0:FF:EE:00:00:01"), sky.meter("C0:FF:EE:00:00:02")
    slow.peer.connect_hangs = True

    async def test() -> None:
        first, second = (links_to(meter.peer.address, adapter)() for meter in (slow, other))
        opening = asyncio.ensure_future(first.open())
        await until(lambda: sky.bluez.connects == 1)
        with pytest.raises(LinkFailed, match="busy with something else"):
            await second.open()
        opening.cancel()
        await asyncio.gather(opening, return_exceptions=True)
        for link in (first, second):
            await link.close()

    run(test)
    assert is_at_rest(adapter)


def test_the_wait_for_ones_turn_has_its_end(sky: Ether, adapter: Air, monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setattr(ble_radio, "TURN_LIMIT_S", 0.05)

    async def contend(radio: Radio) -> None:
        async with radio.connecting():
            with pytest.raises(LinkFailed, match="busy with something else"):
                async with radio.connecting():
                    raise AssertionError("two at once")
        async with radio.connecting():
            pass

    adapter.call(contend, 5)

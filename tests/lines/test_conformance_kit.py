"""The conformance kit: our driver and a sound meter pass, and each check catches the fault it is there for."""

from __future__ import annotations

import argparse
import asyncio
import contextlib
import json
import random
from collections.abc import Callable, Sequence
from dataclasses import replace
from typing import Any

import pytest
from line_parts import CountingConversation, PlainMeter, settle
from test_watch_command import Served

from drivers.api import Conversation, Resume
from drivers.codecs.meter_line import encode
from drivers.instrument import Instrument
from drivers.links.base import Link
from drivers.links.memory import MemoryLine, MemoryLink, lost
from drivers.meter_line import DRIVER
from drivers.testing import Check, Outcome, check_driver, check_meter, only_commands
from logger.clock import ManualClock
from logger.errors import InputWrong, LinkFailed, LinkLost, LinkReason
from logger.happening import Happening, RawBytes, Read
from tui.cli import drivers as drivers_command

IDENTITY = {"proto": "1", "maker": "Kiln Works", "model": "TM-2", "serial": "0417", "fw": "1.4", "boot": "b1"}


def reading(n: int) -> bytes:
    told = {"n": str(n), "t": str(n * 100), "fn": "insulation", "rg": "2", "r": "eq", "v": f"5{n}.3", "u": "MOhm"}
    return encode("rd", told | {"vt": "500", "f": "steady"})


CAPTURE = encode("id", IDENTITY) + encode("end", {"of": "id"}) + b"".join(map(reading, range(1, 6)))


def outcomes(checks: Sequence[Check]) -> dict[str, Outcome]:
    return {check.name: check.outcome for check in checks}


def failed(checks: Sequence[Check]) -> set[str]:
    return {check.name for check in checks if check.outcome is Outcome.FAILED}


def test_our_driver_passes_all_of_it() -> None:
    checks = check_driver(DRIVER, [CAPTURE, CAPTURE[:-40] + reading(9)])
    assert [check for check in checks if check.outcome is not Outcome.PASSED] == []


class Faulty:
    """Our driver with a fault built in."""

    name = "faulty"
    api_version = 1

    def __init__(self, make: Callable[[Instrument], Conversation]) -> None:
        self._make = make

    def converse(self, line: str, rate: int, resume: Resume) -> Conversation:
        return self._make(Instrument(line, rate, resume))


class Wrapped:
    """A conversation that passes everything on; a fault overrides one thing."""

    def __init__(self, inner: Instrument) -> None:
        self.inner = inner

    def __getattr__(self, name: str) -> Any:
        return getattr(self.inner, name)


class Raises(Wrapped):
    def receive(self, data: bytes, now_ns: int) -> Sequence[Happening]:
        if b"\xff" in data:
            raise ValueError("odd byte")
        return self.inner.receive(data, now_ns)


class LosesSmallChunks(Wrapped):
    def receive(self, data: bytes, now_ns: int) -> Sequence[Happening]:
        return self.inner.receive(data, now_ns) if len(data) > 1 else []


class DropsRaw(Wrapped):
    def receive(self, data: bytes, now_ns: int) -> Sequence[Happening]:
        return [h for h in self.inner.receive(data, now_ns) if not isinstance(h, RawBytes)]


class SendsMore(Wrapped):
    def outgoing(self) -> bytes:
        out = self.inner.outgoing()
        return out + b"@fire volts=1000*00000000\n" if out else out


class Doubles(Wrapped):
    def receive(self, data: bytes, now_ns: int) -> Sequence[Happening]:
        heard = self.inner.receive(data, now_ns)
        return [replace(h, repeat=False) if isinstance(h, Read) else h for h in heard]


class Spins(Wrapped):
    def deadline_ns(self) -> int | None:
        return 0


class Inventive(Wrapped):
    count = 0

    def receive(self, data: bytes, now_ns: int) -> Sequence[Happening]:
        Inventive.count += 1
        heard = list(self.inner.receive(data, now_ns))
        return [replace(h, serial=f"{Inventive.count}") if isinstance(h, Read) else h for h in heard]


FAULTS: list[tuple[type[Wrapped], str]] = [
    (Raises, "garbage becomes no reading"),
    (LosesSmallChunks, "bytes may be cut anywhere"),
    (DropsRaw, "every byte is kept"),
    (SendsMore, "sends only what is allowed"),
    (Doubles, "a line that breaks is taken up again"),
    (Spins, "deadlines move on"),
    (Inventive, "the same bytes give the same happenings"),
]


@pytest.mark.parametrize(("fault", "name"), FAULTS)
def test_each_check_catches_its_fault(fault: type[Wrapped], name: str) -> None:
    checks = check_driver(Faulty(fault), [CAPTURE])
    assert name in failed(checks)
    assert all(check.sentence for check in checks)


class Checkless:
    """A driver of a protocol without a check: any line that ends in a number is a reading."""

    name = "checkless"
    api_version = 1

    def converse(self, line: str, rate: int, resume: Resume) -> Conversation:
        outer = CountingConversation(line)

        class Reads(Wrapped):
            def receive(self, data: bytes, now_ns: int) -> Sequence[Happening]:
                return outer.receive(data, now_ns)

        return Reads(Instrument(line, rate, resume))


def test_a_protocol_without_a_check_may_say_so() -> None:
    checks = outcomes(check_driver(Checkless(), [b"1 MOhm\n"], has_check=False))
    assert checks["damage becomes no reading"] is Outcome.SKIPPED
    assert checks["reads its own captures"] is Outcome.FAILED


def test_a_wrong_version_and_no_captures_are_told() -> None:
    class Old(Faulty):
        api_version = 0

    checks = check_driver(Old(Wrapped), [])
    assert {"is a driver", "reads its own captures"} <= failed(checks)
    assert "could be" not in "".join(check.sentence for check in checks)
    assert failed(check_driver(DRIVER, [b"", b"x"])) == {"reads its own captures"}


@pytest.mark.parametrize(
    ("sent", "allowed"),
    [
        (b"", True),
        (b"@ask what=id*9FD7B268\n@halt*08E33069\n", True),
        (b"@run rate=5*D57C70F6\n", True),
        (b"@run rate=5*D57C70F7\n", False),
        (b"@halt*08E33069", False),
        (encode("run", {"rate": "501"}), False),
        (encode("set", {"vt": "1000"}), False),
        (b"AT+FIRE\r\n", False),
    ],
)
def test_what_counts_as_a_command(sent: bytes, allowed: bool) -> None:
    assert only_commands(sent) is allowed


class LiveMeter(PlainMeter):
    """A sound meter on a clock moved by hand: streams at its rate, says who it is every two seconds."""

    def __init__(self, link: Link, clock: ManualClock) -> None:
        super().__init__(link)
        self.clock = clock
        self.deaf_to: set[str] = set()

    async def live(self) -> None:
        next_sign_s = 0.0
        while True:
            await self.clock.sleep(0.05)
            now_s = self.clock.mono_ns() / 1e9
            with contextlib.suppress(LinkLost):
                if self.rate:
                    await self.stream()
                if now_s >= next_sign_s:
                    next_sign_s = now_s + 1.9
                    await self.introduce()

    async def stream(self) -> None:
        if round(self.clock.mono_ns() / 5e7) % max(1, 20 // self.rate) == 0:
            await self.read()

    async def _answer(self, frame: Any) -> None:
        if f"{frame.type} {frame.fields.get('what', '')}".strip() not in self.deaf_to:
            await super()._answer(frame)


def examined(make: Callable[[Link, ManualClock], LiveMeter] = LiveMeter, **wire_options: Any) -> tuple[Check, ...]:
    """What the examination says of a meter, in no time at all."""

    async def story() -> tuple[Check, ...]:
        clock = ManualClock()
        wire = MemoryLine(clock, **wire_options)
        meter = make(wire.meter_end, clock)
        tasks = [asyncio.ensure_future(meter.serve()), asyncio.ensure_future(meter.live())]
        checking = asyncio.ensure_future(check_meter(wire.host_end, clock, rate=10, jitter=random.Random(1)))
        for _ in range(1000):
            if checking.done():
                break
            clock.advance(0.05)
            for _ in range(12):
                await asyncio.sleep(0)
        for task in tasks:
            task.cancel()
        await asyncio.gather(*tasks, return_exceptions=True)
        checks = await checking
        await settle()
        assert asyncio.all_tasks() == {asyncio.current_task()}
        assert {asked.split()[0] for asked in meter.asked} <= {"ask", "run", "halt"}
        return checks

    return asyncio.run(story())


def test_a_sound_meter_passes() -> None:
    checks = examined()
    assert [check for check in checks if check.outcome is not Outcome.PASSED] == []
    assert len(checks) == 9
    said = {check.name: check.sentence for check in checks}
    assert said["identifies itself"] == "Kiln Works TM-2, serial 0417"
    assert "readings a second of 10" in said["streams at the rate asked for"]


class Skips(LiveMeter):
    async def stream(self) -> None:
        self.n += self.n == 7
        await super().stream()


class Hurries(LiveMeter):
    async def stream(self) -> None:
        for _ in range(4):
            await self.read()


class StreamsOn(LiveMeter):
    async def _answer(self, frame: Any) -> None:
        if frame.type != "halt":
            await super()._answer(frame)


class Forgets(LiveMeter):
    async def _answer(self, frame: Any) -> None:
        if frame.fields.get("what") == "stored":
            await self.link.send(encode("end", {"of": "stored"}))
        else:
            await super()._answer(frame)


class Misremembers(LiveMeter):
    def _reading(self, n: int, value: str, **fields: str) -> bytes:
        return super()._reading(n, "1.00" if "stored" in fields.get("f", "") else value, **fields)


class Falters(LiveMeter):
    async def stream(self) -> None:
        await super().stream()
        await self.link.send(b"@rd n=0*00000000\n")


class GoesQuiet(LiveMeter):
    async def introduce(self) -> None:
        if "halt" not in self.asked:
            await super().introduce()


class SaysLittle(LiveMeter):
    async def introduce(self) -> None:
        await self.link.send(encode("id", {"proto": "1", "serial": "5", "boot": "x"}))


class Hangs(LiveMeter):
    async def _answer(self, frame: Any) -> None:
        await super()._answer(frame)
        if frame.type == "run":
            assert isinstance(self.link, MemoryLink)
            assert self.link.peer is not None
            self.link.peer.cut(LinkLost("unplugged"))


def deaf_to(*what: str) -> Callable[[Link, ManualClock], LiveMeter]:
    def make(link: Link, clock: ManualClock) -> LiveMeter:
        meter = LiveMeter(link, clock)
        meter.deaf_to = set(what)
        return meter

    return make


@pytest.mark.parametrize(
    ("make", "names"),
    [
        (Skips, {"numbers without a gap"}),
        (Hurries, {"streams at the rate asked for"}),
        (StreamsOn, {"halts"}),
        (Forgets, {"sends again what it holds"}),
        (Misremembers, {"sends again what it holds"}),
        (Falters, {"every frame checks"}),
        (GoesQuiet, {"gives signs of life"}),
        (SaysLittle, {"says all of who it is"}),
        (Hangs, {"stays connected"}),
        (deaf_to("ask id"), {"identifies itself"}),
        (deaf_to("ask functions"), {"announces its functions"}),
        (deaf_to("run"), {"streams at the rate asked for"}),
        (deaf_to("ask stored"), {"sends again what it holds"}),
    ],
)
def test_each_fault_of_a_meter_is_told(make: Callable[[Link, ManualClock], LiveMeter], names: set[str]) -> None:
    assert failed(examined(make)) == names


def test_a_meter_that_cannot_hear_is_still_described() -> None:
    checks = examined(to_meter=lost)
    assert "identifies itself" in failed(checks)
    assert outcomes(checks)["sends again what it holds"] is Outcome.SKIPPED


def test_a_meter_that_says_nothing_is_an_error() -> None:
    with pytest.raises(LinkFailed, match="says nothing at all") as silent:
        examined(to_host=lost)
    assert silent.value.reason is LinkReason.SILENT


def call(*words: str) -> int:
    parser = argparse.ArgumentParser()
    drivers_command.add_parser(parser.add_subparsers())
    arguments = parser.parse_args(["drivers", *words])
    return int(arguments.run(arguments))


def test_the_command_checks_a_meter_on_the_network(
    capsys: pytest.CaptureFixture[str], monkeypatch: pytest.MonkeyPatch
) -> None:
    monkeypatch.setattr("drivers.meter_check.STREAM_S", 0.5)
    monkeypatch.setattr("drivers.meter_check.QUIET_S", 0.2)
    meter = Served()
    assert call("check", f"tcp:127.0.0.1:{meter.port}?rate=100", "--json") == 0
    shown = json.loads(capsys.readouterr().out)
    assert shown["url"].endswith("?rate=100")
    assert {check["outcome"] for check in shown["checks"]} == {"passed"}
    meter.wait()
    meter = Served(noise=encode("id", IDENTITY).replace(b"0417", b"0418"))
    assert call("check", f"tcp:127.0.0.1:{meter.port}") == 1
    shown_text = capsys.readouterr().out
    assert "✗ failed   every frame checks" in shown_text
    assert "\x1b" not in shown_text
    meter.wait()


@pytest.mark.parametrize("url", ["replay:x", "keyed:", "tcp:a:1?driver=other", "no"])
def test_what_cannot_be_checked_is_refused(url: str) -> None:
    with pytest.raises(InputWrong):
        call("check", url)


def test_a_meter_that_is_not_there_is_tried_and_then_told(monkeypatch: pytest.MonkeyPatch) -> None:
    async def story() -> None:
        clock = ManualClock()
        wire = MemoryLine(clock)
        wire.refuse()
        checking = asyncio.ensure_future(check_meter(wire.host_end, clock, rate=10, jitter=random.Random(1)))
        while not checking.done():
            clock.advance(0.1)
            await settle()
        assert 15 <= clock.mono_ns() / 1e9 <= 21
        with pytest.raises(LinkFailed, match="Nobody is there"):
            await checking

    asyncio.run(story())

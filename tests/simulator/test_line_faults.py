"""Faults of the line: each damages what it says, no more; nothing damaged is a frame; the meter still remembers."""

from __future__ import annotations

from dataclasses import replace

import pytest
from host_side import Host, readings, types, words

from drivers.codecs.meter_words import ask_frame, run_frame
from drivers.simulator.catalogue import load_site
from drivers.simulator.faults import DAMAGE, KINDS
from drivers.simulator.site import ScriptedFault, Site
from logger.clock import NS_PER_S
from logger.reading import Flag, Identity

STUDIO = load_site("pottery-studio")


def scripted(*faults: ScriptedFault) -> Site:
    return replace(STUDIO, script=faults)


def streaming(site: Site = STUDIO, seed: int = 1) -> Host:
    host = Host(site, seed)
    host.do("leads short")
    host.send(run_frame(10), 0)
    host.frames.clear()
    host.raw.clear()
    return host


def numbers(host: Host) -> list[int]:
    return [reading.n for reading in readings(host.frames)]


@pytest.mark.parametrize("kind", ["bit-flip", "lost-byte"])
@pytest.mark.parametrize("seed", range(20))
def test_a_damaged_frame_is_junk_and_the_next_sound_one_is_read(kind: str, seed: int) -> None:
    host = streaming(seed=seed)
    host.do(f"line {kind} 2")
    host.wait(2)
    assert numbers(host) == list(range(3, 21))
    assert host.junk


def test_a_lost_frame_is_a_gap_that_the_memory_still_has() -> None:
    host = streaming()
    host.wait(0.5)
    host.do("line lost-frame 3")
    host.wait(1)
    assert numbers(host) == [1, 2, 3, 4, 5, *range(9, 16)]
    again = readings(host.send(ask_frame("stored", 6, 8), 0.01))
    assert [reading.n for reading in again if Flag.STORED in reading.flags] == [6, 7, 8]


def test_a_doubled_frame_comes_twice() -> None:
    host = streaming()
    host.do("line duplicate 2")
    host.wait(0.4)
    assert numbers(host) == [1, 1, 2, 2, 3, 4]


@pytest.mark.parametrize("seed", range(10))
def test_noise_before_a_frame_does_not_cost_it(seed: int) -> None:
    host = streaming(seed=seed)
    host.do("line noise 5")
    host.wait(2)
    assert numbers(host) == list(range(1, 21))
    assert host.junk


def test_a_split_frame_comes_in_two_pieces_in_order() -> None:
    host = streaming()
    host.do("line split")
    first = (host.wait(0.1), bytes(host.raw))
    assert first[0] == []
    assert first[1].startswith(b"@rd")
    assert not first[1].endswith(b"\n")
    host.wait(0.05)
    assert numbers(host) == [1]
    host.wait(0.2)
    assert numbers(host) == [1, 2, 3]


def test_merged_frames_come_in_one_piece() -> None:
    host = streaming()
    host.do("line merge")
    assert host.wait(0.15) == []
    assert host.raw == b""
    host.wait(0.05)
    assert numbers(host) == [1, 2]
    host.do("line merge")
    host.meter._period_ns = None
    host.wait(0.1)
    host.do("store")
    assert host.listen() == []
    host.wait(1.0)
    assert numbers(host) == [1, 2, 3], "a frame that nobody follows does not wait for ever"


def test_an_echo_brings_the_hosts_words_back() -> None:
    host = streaming()
    host.do("line echo 1")
    assert types(host.send(ask_frame("id"), 0.01)) == ["ask", "id", "end"]
    assert types(host.send(ask_frame("id"), 0.01)) == ["id", "end"]


def test_silence_loses_what_falls_into_it() -> None:
    host = streaming()
    host.do("line silence 1")
    assert host.wait(0.95) == []
    host.wait(1)
    assert numbers(host)[0] == 10
    again = readings(host.send(ask_frame("stored", 1, 9), 0.01))
    assert [reading.n for reading in again if Flag.STORED in reading.flags] == list(range(1, 10))


def test_a_pulled_line_is_away_and_comes_back() -> None:
    host = streaming()
    host.do("drop 2")
    assert host.meter.away_until_ns(host.now_ns) == 2 * NS_PER_S
    assert host.wait(1.9) == []
    host.wait(0.2)
    assert host.meter.away_until_ns(host.now_ns) is None
    assert numbers(host)[:1] == [20]


def test_a_script_strikes_at_its_times() -> None:
    host = streaming(
        scripted(
            ScriptedFault(2.0, "reboot", 1),
            ScriptedFault(0.55, "lost-frame", 2),
            ScriptedFault(1.45, "disconnect", 0.3),
        )
    )
    boot = host.meter.boot
    host.wait(1.8)
    assert numbers(host) == [1, 2, 3, 4, 5, 8, 9, 10, 11, 12, 13, 14, 18]
    frames = host.wait(0.4)
    identities = [word for word in words(frames) if isinstance(word, Identity)]
    assert identities[0].boot == host.meter.boot != boot
    host.meter.switch_on(host.now_ns)
    host.listen()
    host.send(run_frame(10), 1)
    assert [n for n in range(1, 11) if n not in numbers(host)[-8:]] == [6, 7], "the script begins again"


def test_the_same_seed_damages_the_same_bytes() -> None:
    def damaged(seed: int) -> bytes:
        host = streaming(seed=seed)
        for kind in (*DAMAGE, "split", "merge"):
            host.do(f"line {kind} 3")
        host.wait(4)
        return bytes(host.raw)

    assert damaged(1) == damaged(1) != damaged(2)


@pytest.mark.parametrize("kind", KINDS)
def test_every_fault_passes_and_leaves_a_sound_line(kind: str) -> None:
    host = streaming()
    host.do(f"line {kind} 2")
    host.wait(5)
    host.send(run_frame(10), 0)
    host.frames.clear()
    host.junk.clear()
    host.wait(2)
    found = numbers(host)
    assert found == list(range(found[0], found[0] + 20))
    assert host.junk == []

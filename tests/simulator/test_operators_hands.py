"""Every word that an operator can say to the simulated meter, and what is said to one that it does not know."""

from __future__ import annotations

from pathlib import Path

import pytest
from booth_site import site_of
from host_side import Host, events, readings

from drivers.simulator.catalogue import load_site
from drivers.simulator.hands import WORDS
from logger.errors import InputWrong
from logger.quantity import Function, Relation
from logger.reading import Flag

STUDIO = load_site("pottery-studio")


@pytest.fixture
def host() -> Host:
    made = Host(STUDIO)
    made.listen()
    return made


def stored(host: Host) -> str:
    """What the store key yields: relation, figure, unit."""
    host.wait(0.6)
    host.do("store")
    value = readings(host.listen())[-1].value
    return f"{'>' if value.relation is Relation.ABOVE else ''}{value.text} {value.unit}"


def test_help_lists_every_word_with_its_use(host: Host) -> None:
    lines = host.do("help").splitlines()
    assert [line.split()[0] for line in lines] == list(WORDS)
    assert all(WORDS[line.split()[0]].about in line for line in lines)


def test_leads(host: Host) -> None:
    assert host.do("leads short") == "The leads are short."
    assert stored(host) == "0.00 MOhm"
    assert host.do("leads open") == "The leads are open."
    assert stored(host) == ">1000 MOhm"
    assert host.do("leads C2 L/PE") == "The leads are on C2 L/PE."
    assert float(stored(host).split()[0]) == pytest.approx(0.18, abs=0.03)
    assert host.do("leads C2") == "The leads are on C2."
    assert stored(host) == "0.00 MOhm", "the link is in"


def test_function(host: Host) -> None:
    assert host.do("function continuity") == "The meter is on continuity."
    assert host.do("function insulation 250") == "The meter is on insulation at 250 V."
    assert host.do("function insulation") == "The meter is on insulation at 250 V."
    assert events(host.listen()) == ["function-changed", "function-changed"], "nothing changed the last time"


def test_rcd(host: Host) -> None:
    host.do("supply on", "leads C2", "function rcd-time")
    assert host.do("rcd 30 5 180") == "RCD tests are at 5 times 30 mA from 180 degrees."
    host.do("store")
    reading = readings(host.listen())[-1]
    assert (reading.rated, reading.multiple, reading.phase) == ("30", "5", "180")
    assert reading.value.unit == "ms"
    assert host.do("rcd 30 0.5") == "RCD tests are at 0.5 times 30 mA from 0 degrees."
    assert stored(host) == ">500.0 ms"
    assert host.do("rcd 30").endswith("at 1 times 30 mA from 0 degrees.")


def test_null_and_its_end(host: Host) -> None:
    host.do("function continuity", "leads short")
    assert host.do("null") == "0.18 Ohm of the leads are taken off."
    assert host.do("null off") == "The null is off."
    host.do("leads open")
    with pytest.raises(InputWrong, match="short the leads first"):
        host.do("null")


def test_broken_leads_cannot_be_nulled(tmp_path: Path) -> None:
    host = Host(site_of(tmp_path, "[leads]\nbroken = true"))
    host.do("leads short")
    with pytest.raises(InputWrong, match="change the leads"):
        host.do("null")
    assert host.do("change leads") == "Sound leads with the mark B are on the meter."
    assert host.do("null") == "0.18 Ohm of the leads are taken off."


def test_store(host: Host) -> None:
    assert host.do("store") == "Stored >1000 MOhm."
    (reading,) = readings(host.listen())
    assert Flag.KEY in reading.flags


def test_set_link_and_supply(host: Host) -> None:
    assert host.do("link LK1 out") == "LK1 is out."
    assert host.do("set LK1 in") == "LK1 is in."
    assert host.do("set S3 2") == "S3 is 2."
    assert host.do("supply on") == "The supply is on."
    assert host.do("set supply off") == "supply is off."
    assert host.do("supply off") == "The supply is isolated upstream."
    assert "supply: isolated upstream" in host.do("state")


def test_plug_unplug_bridge_and_mend(host: Host) -> None:
    host.do("link LK1 out", "leads C2 L/N")
    apart = stored(host)
    assert host.do("plug C2") == "The load of C2 is plugged."
    assert stored(host) == "0.00 MOhm" != apart
    assert host.do("unplug C2") == "The load of C2 is unplugged."
    assert host.do("bridge C2 L/PE") == "C2 is bridged L/PE at its far end."
    host.do("leads C2 L/PE")
    assert stored(host) == "0.00 MOhm"
    assert host.do("bridge C2 off") == "C2 has no bridge."
    assert host.do("mend C2") == "C2 is mended."
    assert float(stored(host).strip(">").split()[0]) > 100


def test_battery(host: Host) -> None:
    assert host.do("battery 15") == "The battery is at 15 %."
    host.do("battery 10", "battery 90", "battery 19")
    assert events(host.listen()) == ["battery-low", "battery-low"], "told when it becomes low, not while it is"


def test_change_leads_takes_the_null_with_it(host: Host) -> None:
    host.do("function continuity", "leads short", "null", "change leads")
    host.do("store")
    frames = host.listen()
    assert events(frames) == ["function-changed", "leads-changed"]
    assert Flag.NULLED not in readings(frames)[-1].flags


def test_fault(host: Host) -> None:
    assert host.do("fault the fuse blew") == "The meter tells of a fault."
    (frame,) = host.listen()
    assert frame.fields["why"] == "the fuse blew"
    host.do("fault \x1b[31mΩ")
    assert host.listen()[0].fields["why"] == "\x1b[31mΩ"
    for long in ("x" * 151, "Ω" * 60, ""):
        with pytest.raises(InputWrong, match="a short one"):
            host.do(f"fault {long}")
    assert host.meter.n == 2


def test_reboot(host: Host) -> None:
    told = host.do("reboot")
    assert host.meter.boot in told
    assert host.listen()[0].fields["boot"] == host.meter.boot


def test_line_and_drop(host: Host) -> None:
    assert host.do("line bit-flip 3") == "The next frames, 3 of them, meet bit-flip."
    assert host.do("line lost-frame") == "The next frames, 1 of them, meet lost-frame."
    assert host.do("line silence 2.5") == "The line has silence for 2.5 s."
    assert host.do("line reboot") == "The meter lost power and is back."
    assert host.do("drop 4") == "The line has disconnect for 4 s."
    assert host.meter.away_until_ns(host.now_ns) == host.now_ns + 4_000_000_000
    host.wait(4.1)
    assert host.meter.away_until_ns(host.now_ns) is None


def test_state(host: Host) -> None:
    host.do("link LK1 out", "leads C3 L+N/PE", "function continuity", "bridge C3 L/PE", "mend C2")
    told = host.do("state")
    for line in (
        "dial: continuity",
        "leads: on C3 L+N/PE, set A",
        "null: off",
        "battery: 87 %",
        "stream: none",
        "devices: Q0 on, LK1 out, Q1 on, K1 open",
        "plugged: C1",
        "bridges: C3 L/PE",
        "mended: C2",
    ):
        assert line in told, line


WRONG = [
    ("", "no command"),
    ("dance", "the words are leads"),
    ("x" * 500, "no command"),
    ("leads", "write leads open"),
    ("leads C9", "no item C9"),
    ("leads C1 L/Q", "no conductor Q"),
    ("leads C1 L / N", "write leads"),
    ("function", "write function"),
    ("function dowsing", "no function dowsing"),
    ("function insulation 400", "no test voltage 400"),
    ("function continuity 250", "no test voltage to choose"),
    ("rcd", "write rcd"),
    ("rcd 1", "no rated residual current"),
    ("rcd 30 3", "no such setting"),
    ("rcd 30 1 90", "no such setting"),
    ("rcd thirty", "no number"),
    ("rcd nan", "no number"),
    ("null it", "write null"),
    ("store it", "write store"),
    ("set", "write set"),
    ("set Q9 on", "the devices are Q0"),
    ("set Q1 up", "it can be on or off"),
    ("set J2 on", "no device J2"),
    ("link LK9 in", "the links are LK1"),
    ("link Q1 off", "no link Q1"),
    ("link LK1", "write link"),
    ("link LK1 half", "it can be in or out"),
    ("supply perhaps", "write supply"),
    ("plug", "write plug"),
    ("plug C9", "no load to plug"),
    ("unplug", "write unplug"),
    ("unplug DB1", "no load to plug"),
    ("bridge C1", "write bridge"),
    ("bridge DB1 L/PE", "no circuit DB1"),
    ("bridge C1 L/L", "cannot be bridged"),
    ("bridge C1 L", "cannot be bridged"),
    ("mend", "write mend"),
    ("mend C9", "no item C9"),
    ("change", "write change"),
    ("change trousers", "write change"),
    ("battery", "write battery"),
    ("battery 101", "write battery"),
    ("battery 3.5", "write battery"),
    ("reboot now", "write reboot"),
    ("line", "write line"),
    ("line thunder", "no line fault thunder"),
    ("line silence 0", "cannot last 0 s"),
    ("line silence 99999", "at most 3600 s"),
    ("line bit-flip 0", "cannot strike 0 frames"),
    ("line bit-flip 1.5", "cannot strike 1.5 frames"),
    ("line bit-flip inf", "no number"),
    ("drop", "write drop"),
    ("drop long", "no number"),
    ("state of", "write state"),
    ("help me", "write help"),
]


@pytest.mark.parametrize(("command", "says"), WRONG)
def test_what_cannot_be_done_is_one_sentence_and_changes_nothing(host: Host, command: str, says: str) -> None:
    before = host.do("state")
    told = host.meter.command(command, host.now_ns)
    assert says in told
    assert "\n" not in told
    assert told.endswith(".")
    with pytest.raises(InputWrong):
        host.do(command)
    assert host.do("state") == before
    assert host.listen() == []


def test_every_word_is_among_the_wrong_ones_too() -> None:
    assert {command.split()[0] for command, _ in WRONG if command} >= set(WORDS) - {"fault"}


def test_the_dial_can_be_turned_to_everything_the_meter_announces(host: Host) -> None:
    host.do("supply on", "leads C2")
    for function in Function:
        told = host.meter.command(f"function {function}", host.now_ns)
        host.do("store")
        assert told.startswith("The meter is on") is (readings(host.listen())[-1].function is function), function

"""Every wrong set-up of the list is named, before the reading; a right one is not."""

from __future__ import annotations

import pytest
from installations import circuit, device, studio

from logger.errors import InputWrong
from logger.job.joins import MINUS, PLUS, on_ways
from logger.job.model import Board, Plan
from logger.job.model import DeviceKind as D
from logger.job.network import build
from logger.job.reach import reach, reach_of
from logger.job.reach_model import Reach
from logger.job.setup import Alteration, SetUp, set_up
from logger.quantity import Test


def plan() -> Plan:
    lights = circuit("C3", device("Q3", D.BREAKER), device("S3", D.TWO_WAY), device("S4", D.TWO_WAY), load="lighting")
    kiln = circuit("C2", device("Q2", D.BREAKER, 2), device("K2", D.CONTACTOR), load="heating")
    sockets = circuit("C1", device("Q1", D.RCD), load="sockets", surge=True, ring=True)
    return studio(sockets, kiln, lights, boards=(Board("DB2", main_switch="Q9", feed="DB1"),))


NETWORK = build(plan())
RIGHT = {"Q0": "off", "LK1": "out", "K2": "closed"}
AWAY = (Alteration("load of C1", "unplugged"), Alteration("load of C2", "unplugged"), Alteration("lamps of C3", "out"))


def asked(between: str = "L+N/PE", *altered: Alteration, at: str = "DB1", **positions: str) -> Reach:
    setup = set_up(NETWORK, {**RIGHT, **positions}, altered)
    return reach(NETWORK, setup, Test.INSULATION, between, at)


def because(found: Reach, segment: str) -> list[tuple[str, str]]:
    each = next(each for each in found.unreached if each.segment == segment)
    return [(b.device, b.position) for b in each.because]


def spoilers(found: Reach) -> list[str]:
    return [each.what for each in found.spoiled_by]


def test_a_right_set_up_is_not_spoiled() -> None:
    found = asked("L+N/PE", *AWAY)
    assert found.spoiled_by == ()
    assert [each.segment for each in found.unreached] == ["DB1/L/0", "DB1/N/0", "C3/S2/2"]


def test_link_left_in() -> None:
    found = asked("L+N/PE", *AWAY, LK1="in")
    assert spoilers(found) == ["LK1"]
    assert "dead short" in found.spoiled_by[0].reads_like
    assert spoilers(asked("N/PE", *AWAY, LK1="in")) == ["LK1"]
    assert spoilers(asked("L/N", *AWAY, LK1="in")) == []


def test_breaker_off() -> None:
    found = asked("L+N/PE", *AWAY, Q3="off")
    assert because(found, "C3/L/1") == [("Q3", "off")]
    assert because(found, "C3/S2/2") == [("Q3", "off"), ("S3", "1"), ("S4", "1")]
    assert "C3/N/1" in found.reached
    assert because(asked("L+N/PE", *AWAY, Q2="off"), "C2/N/1") == [("Q2", "off")]


def test_one_switch_off_names_exactly_what_is_behind_it() -> None:
    before, after = asked("L+N/PE", *AWAY), asked("L+N/PE", *AWAY, Q1="off")
    lost = set(before.reached) - set(after.reached)
    assert lost == {"C1/L/1", "C1/N/1"}
    assert {each.segment for each in after.unreached} - {each.segment for each in before.unreached} == lost


def test_contactor_open() -> None:
    found = asked("L+N/PE", *AWAY, K2="open")
    assert because(found, "C2/L/2") == [("K2", "open")]
    assert "C2/N/2" in found.reached


def test_strapper_untested() -> None:
    assert because(asked("L+N/PE", *AWAY), "C3/S2/2") == [("S3", "1"), ("S4", "1")]
    found = asked("L+N/PE", *AWAY, S3="2")
    assert because(found, "C3/L/3") == [("S3", "2"), ("S4", "1")]
    assert "C3/S2/2" in found.reached


def test_lamp_left_in() -> None:
    found = asked("L/N", *AWAY[:2])
    assert spoilers(found) == ["lamps of C3"]
    assert spoilers(asked("L/N", *AWAY[:2], S4="2")) == []  # the way to the lamp is open
    assert spoilers(asked("L+N/PE", *AWAY[:2])) == []


def test_heating_and_sockets_left_in() -> None:
    """A surge device joins line and neutral as well, over earth."""
    assert spoilers(asked("L/N", AWAY[2])) == ["appliances at C1", "surge device of C1", "heating elements of C2"]


def test_surge_device_left_in() -> None:
    found = asked("L+N/PE", *AWAY[1:])
    assert spoilers(found) == ["surge device of C1"]
    assert spoilers(asked("L+N/PE", Alteration("surge device of C1", "out"), *AWAY[1:])) == []


def test_loads_spoil_through_a_link_that_is_in() -> None:
    """Line to earth: the lamp joins line to neutral and the link joins neutral to earth."""
    assert spoilers(asked("L/PE", *AWAY[:2], LK1="in")) == ["LK1", "lamps of C3"]
    assert spoilers(asked("L/PE", *AWAY[:2])) == []


def test_supply_connected() -> None:
    found = asked("L+N/PE", *AWAY, Q0="on")
    assert spoilers(found) == ["supply"]
    assert "main switch Q0 is on" in found.spoiled_by[0].why
    assert asked("L+N/PE", *AWAY, Q0="on", supply="off").spoiled_by == ()
    assert spoilers(asked("L+N/PE", Alteration("supply", "off"), *AWAY, Q0="on")) == []


def test_supply_connected_is_told_for_continuity_too() -> None:
    setup = set_up(NETWORK, {**RIGHT, "Q0": "on"}, AWAY)
    for at in ("C3", "DB2", "E1"):
        assert [each.what for each in reach(NETWORK, setup, Test.EARTH_CONTINUITY, "PE", at).spoiled_by] == ["supply"]


def test_bridge_missing_for_r1_r2() -> None:
    setup = set_up(NETWORK, RIGHT, AWAY)
    found = reach(NETWORK, setup, Test.EARTH_CONTINUITY, "L/PE", "C3")
    assert found.reached == ()
    assert found.spoiled_by[0].what == "bridge L+PE at C3"
    assert "over range" in found.spoiled_by[0].reads_like
    for where in ("C3", "DB1"):
        joined = set_up(NETWORK, RIGHT, (*AWAY, Alteration(f"L+PE at {where}", "joined")))
        found = reach(NETWORK, joined, Test.EARTH_CONTINUITY, "L/PE", "C3")
        assert found.spoiled_by == ()
        assert [each.segment for each in found.unreached] == ["C3/S2/2"]


def test_bridge_said_to_be_missing_between_line_and_neutral() -> None:
    found = asked("L+N/PE", *AWAY, Alteration("L+N at DB1", "missing"))
    assert because(found, "C3/N/1") == [("L+N at DB1", "missing")]
    assert "C3/L/1" in found.reached


def test_bridge_left_in() -> None:
    found = asked("L+N/PE", *AWAY, Alteration("R1+R2 at C3", "joined"))
    assert spoilers(found) == ["R1+R2 at C3"]
    assert spoilers(asked("L/N", *AWAY, Alteration("L+N at DB1", "joined"))) == ["L+N at DB1"]


def test_a_bridge_carries_a_lead_on() -> None:
    """Behind the breaker that is off, over the neutral."""
    assert "C3/L/3" in asked("L+N/PE", *AWAY, Alteration("L+N at C3", "joined"), Q3="off").reached
    assert "C3/L/3" not in asked("L+N/PE", *AWAY, Q3="off").reached


def test_live_tests_need_the_supply_and_everything_put_back() -> None:
    good = set_up(NETWORK, {"K2": "closed"})
    found = reach(NETWORK, good, Test.EARTH_LOOP, "L/PE", "C3")
    assert found.spoiled_by == ()
    assert {"DB1/L/0", "DB1/PE/1", "C3/L/3", "C3/S1/2"} <= set(found.reached)
    for positions, what in (({"supply": "off"}, "supply"), ({"LK1": "out"}, "LK1")):
        bad = reach(NETWORK, set_up(NETWORK, positions), Test.EARTH_LOOP, "L/PE", "C3")
        assert [each.what for each in bad.spoiled_by] == [what]
    bridged = set_up(NETWORK, {}, [Alteration("L+PE at C3", "joined")])
    assert "short circuit" in reach(NETWORK, bridged, Test.EARTH_LOOP, None, "C3").spoiled_by[0].why


def test_a_live_test_behind_an_open_device_reaches_nothing() -> None:
    found = reach(NETWORK, set_up(NETWORK, {"S4": "2"}), Test.LINE_LOOP, "L/N", "C3")
    assert not any(name.startswith(("C3/L", "C3/S")) for name in found.reached)
    assert because(found, "C3/L/0") == [("S3", "1"), ("S4", "2")]


def test_conductor_off_its_terminal() -> None:
    found = asked("L+N/PE", *AWAY, Alteration("C3/N/0", "disconnected"))
    assert because(found, "C3/N/2") == [("C3/N/0", "disconnected")]
    setup = set_up(NETWORK, RIGHT, (*AWAY, Alteration("C3/PE/0", "disconnected")))
    at_end = reach(NETWORK, setup, Test.EARTH_CONTINUITY, "PE", "C3")
    assert at_end.reached == ()
    assert because(at_end, "C3/PE/3") == [("C3/PE/0", "disconnected")]


def test_a_ring_is_measured_end_to_end() -> None:
    found = reach(NETWORK, set_up(NETWORK, RIGHT, AWAY), Test.RING_CONTINUITY, None, "C1")
    assert found.reached == ("C1/L/1", "C1/N/1", "C1/PE/1")
    assert found.share_count == 1.0


def test_a_circuit_asks_for_its_own_runs_only() -> None:
    found = asked("L+N/PE", *AWAY, at="C3")
    assert all(name.startswith("C3/") for name in found.reached)
    assert found.share_count == round(len(found.reached) / 13, 6)
    assert "C1/L/0" in found.plus


@pytest.mark.parametrize(
    ("between", "words"),
    [
        ("L+X/PE", "'X' is no conductor"),
        ("L/L", "L is on two leads"),
        ("", "is no conductor"),
        ("PE", "has no two leads"),
        ("L1/PE", "'L1' is no conductor"),
    ],
)
def test_conductors_that_are_not_there(between: str, words: str) -> None:
    with pytest.raises(InputWrong, match=words):
        asked(between)


def test_places_and_tests_that_are_not_there() -> None:
    start = SetUp()
    for test, at, words in (
        (Test.INSULATION, "C9", "no board or circuit 'C9'"),
        (Test.INSULATION, "E1", "is an earth"),
        (Test.VISUAL, "C3", "looks at no conductors"),
        (Test.RING_CONTINUITY, "C3", "is no ring"),
    ):
        with pytest.raises(InputWrong, match=words):
            reach(NETWORK, start, test, None, at)
        assert reach_of(NETWORK, start, test, None, at) is None


def test_only_joins_on_a_way_from_lead_to_lead_are_named() -> None:
    """A ring of joins that hangs on one lead at a single point joins nothing to the other lead."""
    assert on_ways([(PLUS, 1), (1, MINUS), (1, 2), (2, 3), (3, 1)]) == {0, 1}
    assert on_ways([(PLUS, 1), (1, 2), (2, MINUS), (1, MINUS), (PLUS, 7)]) == {0, 1, 2, 3}
    assert on_ways([(PLUS, 1), (2, MINUS)]) == frozenset()
    assert on_ways([(PLUS, MINUS), (PLUS, MINUS), (3, 3)]) == {0, 1}

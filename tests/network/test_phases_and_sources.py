"""Three phases, sub-boards, two supplies, and circuits behind a transformer of their own."""

from __future__ import annotations

from decimal import Decimal

from installations import circuit, device, studio

from logger.job.model import Board, Circuit, Plan
from logger.job.model import DeviceKind as D
from logger.job.network import Network, build
from logger.job.reach import reach
from logger.job.setup import Alteration, SetUp, set_up
from logger.job.steps import least_steps
from logger.quantity import Test


def three_phases() -> Network:
    pump = circuit("C1", device("Q1", D.BREAKER, 4), device("K1", D.CONTACTOR, 3), load="motor", phase="L1L2L3")
    lamps = circuit("C2", device("Q2", D.BREAKER), device("A", D.TWO_WAY), device("B", D.TWO_WAY), phase="L2")
    return build(studio(pump, lamps, phases=3))


def dead(network: Network, **positions: str) -> SetUp:
    return set_up(network, {"Q0": "off", "LK1": "out", "K1": "closed", **positions})


def test_names_of_three_phases() -> None:
    segments = three_phases().segments
    assert {"DB1/L1/0", "DB1/L3/1", "C1/L2/2", "C2/L2/0", "C2/S1/2", "C2/L2/3"} <= set(segments)
    assert "C2/L1/0" not in segments
    assert "DB1/L/0" not in segments


def test_poles_say_what_opens() -> None:
    network = three_phases()
    found = reach(network, dead(network, K1="open"), Test.INSULATION)
    lost = {each.segment for each in found.unreached if each.segment.startswith("C1")}
    assert lost == {"C1/L1/2", "C1/L2/2", "C1/L3/2"}
    found = reach(network, dead(network, Q1="off"), Test.INSULATION)
    assert {"C1/N/1", "C1/L1/1"} <= {each.segment for each in found.unreached}


def test_between_two_lines() -> None:
    network = three_phases()
    found = reach(network, dead(network), Test.INSULATION, "L1/L2+L3")
    assert {"DB1/L1/1", "C1/L1/2"} <= set(found.plus)
    assert {"C1/L2/2", "C2/L2/1", "C2/S1/2"} <= set(found.minus)
    assert [each.what for each in found.spoiled_by] == ["windings of C1"]
    away = set_up(network, dead(network).positions, [Alteration("load of C1", "unplugged")])
    assert reach(network, away, Test.INSULATION, "L1/L2+L3").spoiled_by == ()


def test_a_circuit_has_only_its_own_phase() -> None:
    network = three_phases()
    found = reach(network, dead(network), Test.INSULATION, "L/PE", "C2")
    assert not any(name.startswith("DB1/L1") for name in found.plus)
    live = reach(network, set_up(network, {}), Test.EARTH_LOOP, None, "C2")
    assert {"DB1/L2/0", "C2/L2/3"} <= set(live.reached)


def transformer() -> Network:
    bell = circuit("C4", device("Q4", D.ONE_WAY), load="electronics", nominal_v=Decimal(12))
    return build(studio(circuit("C1", device("Q1", D.BREAKER)), bell))


def test_nothing_passes_a_transformer() -> None:
    network = transformer()
    found = reach(network, set_up(network, {"Q0": "off", "LK1": "out"}), Test.INSULATION)
    off = {each.segment: [(b.device, b.position) for b in each.because] for each in found.unreached}
    assert off["C4/L/0"] == [("source of C4", "apart")]
    assert "C4/PE/1" in found.reached
    own = reach(network, set_up(network, {"LK1": "out"}), Test.INSULATION, None, "C4")
    assert own.share_count == 1.0
    assert [each.what for each in own.spoiled_by] == []


def test_a_circuit_behind_a_transformer_gets_a_reading_of_its_own() -> None:
    network = transformer()
    found = least_steps(network, set_up(network, {}), Test.INSULATION)
    places = [step.fields["item"] for step in found.steps if step.do == "select"]
    assert places == ["DB1", "C4"]
    assert found.left == ()
    assert ("alter", "load of C4") in {(step.do, step.fields.get("what")) for step in found.steps}


def two_supplies() -> Plan:
    plan = studio(circuit("C1", device("Q1", D.BREAKER)))
    other = Board("SUB", main_switch="Q5")
    shed = Circuit("C9", "SUB", path=(device("Q9", D.BREAKER),))
    return Plan(**{**plan.__dict__, "boards": (*plan.boards, other), "circuits": (*plan.circuits, shed)})


def test_two_supplies_are_read_one_by_one() -> None:
    network = build(two_supplies())
    apart = reach(network, set_up(network, {"supply": "off"}), Test.INSULATION)
    assert [(b.device, b.position) for b in apart.unreached[0].because] == [("supply", "off")]
    found = least_steps(network, set_up(network, {}), Test.INSULATION)
    assert [step.fields["item"] for step in found.steps if step.do == "select"] == ["DB1", "SUB"]
    assert found.left == ()


def test_sub_boards_hang_on_the_bars_of_their_feed() -> None:
    network = build(studio(boards=(Board("DB2", main_switch="Q2", feed="DB1"), Board("DB3", feed="DB2"))))
    found = reach(network, set_up(network, {"Q2": "off", "Q0": "off", "LK1": "out"}), Test.INSULATION)
    assert "DB2/L/0" in found.reached
    assert [(each.segment, each.because[0].device) for each in found.unreached if "/L/" in each.segment] == [
        ("DB1/L/0", "Q0"),
        ("DB2/L/1", "Q2"),
        ("DB3/L/0", "Q2"),
    ]
    other_side = reach(network, set_up(network, {"Q2": "off", "LK1": "out"}), Test.INSULATION, None, "DB3")
    assert set(other_side.plus) == {"DB2/L/1", "DB2/N/1", "DB3/L/0", "DB3/N/0"}
    assert other_side.spoiled_by == ()

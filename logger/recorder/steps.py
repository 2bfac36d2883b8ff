"""Steps out of the operator's hand: each either has its effect and an answer, or is refused and changes nothing.

`Steps.do` looks a step up by its `do` and hands it to the method that knows it; `Refusal` carries what is possible.
"""

from __future__ import annotations

from collections.abc import Callable, Mapping
from decimal import Decimal
from typing import Any, Final

from logger.clock import NS_PER_S
from logger.errors import InputWrong
from logger.happening import Read
from logger.job.alterations import AlterationKind, meaning_of
from logger.job.model import Item
from logger.job.network import Network
from logger.job.setup import Alteration, SetUp, alter, apply_set, restore, to_put_back
from logger.job.work import missing_before, unfinished
from logger.logbook.entries import Kind
from logger.proof import Point, ProofKey, plain_number
from logger.quantity import (
    JUDGED_BY_A_PERSON,
    WITH_TEST_VOLTAGE,
    Displayed,
    Function,
    Relation,
    Test,
    is_decimal,
)
from logger.reading import Identity, Origin, Reading
from logger.recorder.book import Book
from logger.recorder.checks import Checks
from logger.recorder.event import Refusal
from logger.recorder.fields import choice_of, keyed_value_of, number_of, temperature_of, text_of, unit_of, yes_or_no
from logger.recorder.intake import Candidate, Intake
from logger.recorder.possible import between_for, refuse_without_rcd, setting_for
from logger.recorder.results import judged_body, result_body
from logger.screening import functions_for

TAKE_WITHIN_S: Final = 5.0
"""How old a reading may be when it is taken, seconds (interface, section 2)."""

KEYED_LINE: Final = "keyed:"
"""Line of a meter without a data port."""


class Steps:
    """Does steps. One for a capture session."""

    def __init__(self, book: Book, checks: Checks, intake: Intake) -> None:
        self._book = book
        self._checks = checks
        self._intake = intake
        self._keyed_n = 0
        self._taken: int | None = None

    def do(self, step: Mapping[str, Any]) -> None:
        """Do one step: its answer is queued in the book. Never raises for what a step says."""
        step_id = step.get("id")
        try:
            name = step.get("do")
            handler = _DOERS.get(name) if isinstance(name, str) else None
            if handler is None:
                raise Refusal("this is no step: it needs a `do` that is known", possible=sorted(_DOERS))
            if self._book.state.closed_at is not None:
                raise Refusal("the logbook is closed and takes nothing more")
            handler(self, step, step_id)
        except Refusal as refusal:
            self.refuse(str(step.get("do", "")), refusal, step_id)

    def refuse(self, name: str, refusal: Refusal, step_id: object) -> None:
        """Answer that a step was not done."""
        self._book.tell("refused", None, {"do": name, "why": refusal.why, **refusal.more}, step_id)

    # -- the self-check ---------------------------------------------------------------------------------------------

    def _prove(self, step: Mapping[str, Any], step_id: object) -> None:
        point = choice_of(step, "point", [p.value for p in Point])
        selection = self._book.state.selection
        default = functions_for(selection.test)[:1] if selection else ()
        function = Function(choice_of(step, "function", [f.value for f in Function], default[0] if default else None))
        serial = self._meter_for(step, function)
        voltage = None
        if function in WITH_TEST_VOLTAGE:
            voltage = number_of(step, "voltage", selection.voltage if selection else None)
            self._refuse_unknown_voltage(serial, function, voltage)
        expect = self._expected(step) if point == Point.REFERENCE else None
        key = ProofKey.of(serial, function, voltage)
        keyed = self._book.state.meters[serial].line.startswith(KEYED_LINE)
        self._checks.start(key, Point(point), expect, step_id, keyed=keyed)

    def _refuse_unknown_voltage(self, serial: str, function: Function, voltage: str) -> None:
        ranges = self._book.state.meters[serial].ranges
        offered = {plain_number(v) for r in ranges if r.function is function for v in r.voltages}
        if offered and plain_number(voltage) not in offered:
            possible = sorted(offered, key=Decimal)
            raise Refusal(f"meter {serial} has no test voltage of {voltage} V on {function}", possible=possible)

    def _expected(self, step: Mapping[str, Any]) -> Displayed:
        text = text_of(step, "expect")
        if not is_decimal(text):
            raise Refusal("`expect` must be the value of the reference, as decimal digits")
        return Displayed(text, unit_of(text_of(step, "unit")))

    def _meter_for(self, step: Mapping[str, Any], function: Function) -> str:
        meters, serials = self._book.state.meters, self._meters_here()
        asked = step.get("meter")
        if asked is not None:
            if asked in serials:
                return str(asked)
            raise Refusal(f"there is no meter {asked!r} here", possible=serials)
        able = [s for s in serials if any(r.function is function for r in meters[s].ranges)] or serials
        if len(able) == 1:
            return able[0]
        if not able:
            raise Refusal("no meter has said who it is yet: connect one, or key what it shows")
        raise Refusal("several meters could be meant: name one in `meter`", possible=able)

    def _meters_here(self) -> list[str]:
        """Serial numbers of the meters of this session, connected at the moment or not."""
        here = {line.serial for line in self._intake.lines.values() if line.serial is not None}
        return sorted(serial for serial in self._book.state.meters if serial in here)

    # -- what is tested ---------------------------------------------------------------------------------------------

    def _select(self, step: Mapping[str, Any], step_id: object) -> None:
        plan, pack = self._book.plan, self._book.pack
        item = self._item(step)
        test = Test(choice_of(step, "test", [t.value for t in pack.possible_tests(item, plan)]))
        refuse_without_rcd(test, item)
        voltage = self._voltage_for(step, test, item)
        meter, here = step.get("meter"), self._meters_here()
        if meter is not None and meter not in here:
            raise Refusal(f"there is no meter {meter!r} here", possible=here)
        body = {
            "item": item.id,
            "test": test,
            "voltage": voltage,
            "between": between_for(step.get("between"), test, item, plan, pack),
            "setting": setting_for(step.get("setting"), test, item),
            "meter": meter,
        }
        override = self._override(step, item, test)
        if override:
            body["override"] = override
        self._tell_caution(test)
        self._book.record(Kind.SELECTION, "selected", body, step_id)
        self._intake.forget_candidates()

    def _override(self, step: Mapping[str, Any], item: Item, test: Test) -> str:
        """The operator's words for beginning a live test on an item whose earthing or insulation does not stand.

        Without them it is refused; "" where nothing stands in the way.
        """
        missing = missing_before(self._book.state, item, test)
        words = text_of(step, "override", required=False).strip()
        if missing and not words:
            how = ", ".join(f"{earlier} {stands}" for earlier, stands in missing)
            raise Refusal(
                f"{test} needs the supply, and on {item.id} {how}: do that first, or say in `override` why not",
                possible=[earlier for earlier, _ in missing],
            )
        return words if missing else ""

    def _item(self, step: Mapping[str, Any]) -> Item:
        wanted, possible = step.get("item"), [each.id for each in self._book.plan.items]
        if wanted is None:
            raise Refusal("the step needs `item`: name an item of the plan", possible=possible)
        item = self._book.plan.item(wanted) if isinstance(wanted, str) else None
        if item is None:
            raise Refusal(f"the plan has no item {wanted!r}", possible=possible)
        return item

    def _voltage_for(self, step: Mapping[str, Any], test: Test, item: Item) -> str | None:
        if not any(function in WITH_TEST_VOLTAGE for function in functions_for(test)):
            return None
        allowed = [plain_number(v) for v in self._book.pack.voltages_for(test, item, self._book.plan)]
        voltage = plain_number(number_of(step, "voltage", allowed[0] if allowed else None))
        if voltage not in allowed:
            raise Refusal(f"{test} on {item.id} is not tested at {voltage} V", possible=allowed)
        return voltage

    def _tell_caution(self, test: Test) -> None:
        text = self._book.pack.caution_for(test)
        if text and test not in self._book.state.cautions_told:
            self._book.record(Kind.CAUTION, "caution", {"test": test, "text": text})

    # -- what comes of it -------------------------------------------------------------------------------------------

    def _take(self, step: Mapping[str, Any], step_id: object) -> None:
        selection = self._book.state.selection
        if selection is None:
            raise Refusal("nothing is selected: select an item and a test first")
        candidate = self._candidate_for(step)
        age_s = self._age_s(candidate)
        if age_s > TAKE_WITHIN_S:
            raise Refusal(f"the newest accepted reading is {age_s:.0f} s old: measure again, then take it")
        if candidate.entry == self._taken:
            raise Refusal("this reading has been taken already: wait for the next one")
        self._taken = candidate.entry
        body = result_body(self._book, selection, candidate)
        self._intake.taken(self._book.record(Kind.RESULT, "result", body, step_id), candidate)

    def _candidate_for(self, step: Mapping[str, Any]) -> Candidate:
        """The reading to take. Where several meters measure what is selected, it must be said whose: one of them may
        lie on the bench with its leads apart."""
        candidates, asked = self._intake.candidates, step.get("meter")
        fresh = sorted(serial for serial, each in candidates.items() if self._age_s(each) <= TAKE_WITHIN_S)
        if asked is None and len(fresh) > 1:
            raise Refusal("several meters measure what is selected: name one in `meter`", possible=fresh)
        candidate = self._intake.candidate if asked is None else candidates.get(str(asked))
        if candidate is None:
            whose = "no reading" if asked is None else f"no reading of meter {asked!r}"
            raise Refusal(f"{whose} has been accepted since this was selected")
        return candidate

    def _age_s(self, candidate: Candidate) -> float:
        return (self._book.clock.mono_ns() - candidate.measured_ns) / NS_PER_S

    def _judge(self, step: Mapping[str, Any], step_id: object) -> None:
        selection = self._book.state.selection
        if selection is None:
            raise Refusal("nothing is selected: select an item and a test first")
        if selection.test not in JUDGED_BY_A_PERSON:
            possible = sorted(JUDGED_BY_A_PERSON)
            raise Refusal(f"{selection.test} is not for a person to judge: take a reading", possible=possible)
        outcome = choice_of(step, "outcome", ["yes", "no"])
        why = text_of(step, "why", required=False)
        if outcome == "no" and not why:
            raise Refusal("say in `why` what is wrong")
        self._book.record(Kind.RESULT, "result", judged_body(self._book, selection, outcome == "yes", why), step_id)

    def _key(self, step: Mapping[str, Any], step_id: object) -> None:
        check = self._checks.under_way
        selection = self._book.state.selection
        wanted = check.key.function if check else (functions_for(selection.test) or (None,))[0] if selection else None
        function = Function(choice_of(step, "function", [f.value for f in Function], wanted))
        relation = Relation(choice_of(step, "relation", [r.value for r in Relation], Relation.EQUAL))
        value = keyed_value_of(step, relation)
        voltage = step.get("voltage")
        if voltage is None and function in WITH_TEST_VOLTAGE:
            voltage = check.key.voltage if check else selection.voltage if selection else None
        setting = self._keyed_setting(step, function)
        serial = self._keyed_meter(step)
        self._keyed_n += 1
        reading = Reading(
            n=self._keyed_n,
            function=function,
            value=value,
            voltage=None if voltage is None else number_of({"voltage": voltage}, "voltage", None),
            temperature=temperature_of(step),
            origin=Origin.KEYED,
            multiple=setting.get("multiple"),
            phase=setting.get("phase"),
            rated=setting.get("rated"),
        )
        meter = self._book.state.meters[serial]
        read = Read(meter.line, self._book.clock.mono_ns(), serial, meter.boot, reading, False, 0, 0)
        self._intake.keyed(read, step_id)

    def _keyed_setting(self, step: Mapping[str, Any], function: Function) -> Mapping[str, str]:
        """The setting at which it was read: what the step says, else what is selected."""
        selection = self._book.state.selection
        item = self._book.plan.item(selection.item) if selection is not None else None
        if selection is None or item is None or function not in functions_for(selection.test):
            return {}
        if step.get("setting") is None:
            return selection.setting
        return setting_for(step["setting"], selection.test, item)

    def _keyed_meter(self, step: Mapping[str, Any]) -> str:
        keyed = [s for s, m in self._book.state.meters.items() if m.line.startswith(KEYED_LINE) and m.connected]
        asked = step.get("meter")
        if asked is not None and asked not in keyed:
            raise Refusal(f"{asked!r} is no meter that is keyed by hand", possible=keyed)
        if asked is not None:
            return str(asked)
        if not keyed:
            self._intake.keyed_meter(KEYED_LINE, Identity("keyed", f"keyed-{self._book.at}"))
            return "keyed"
        if len(keyed) > 1:
            raise Refusal("several meters are keyed by hand: name one in `meter`", possible=keyed)
        return keyed[0]

    # -- the state of the installation, and words -------------------------------------------------------------------

    def _alter(self, step: Mapping[str, Any], step_id: object) -> None:
        body = {
            "what": text_of(step, "what"),
            "to": text_of(step, "to"),
            "why": text_of(step, "why", required=False),
        }
        altered = Alteration(body["what"], body["to"], body["why"], self._book.at, self._book.state.operator)
        self._try_on_the_drawing(lambda network, setup: alter(network, setup, altered), body["what"])
        network = self._book.network
        if network is not None and meaning_of(network, altered.what, altered.to).kind is AlterationKind.OTHER:
            body["hint"] = "nothing in the plan is called that: what a reading covers stays as it was"
        self._book.record(Kind.ALTERATION, "altered", body, step_id)

    def _restore(self, step: Mapping[str, Any], step_id: object) -> None:
        body = {"what": text_of(step, "what"), "why": text_of(step, "why", required=False)}
        network = self._book.network
        if network is None and body["what"] not in self._book.state.alterations:
            raise Refusal(f"{body['what']!r} is not altered", possible=list(self._book.state.alterations))
        if network is not None:
            try:
                restore(network, self._book.set_up(network), body["what"])
            except InputWrong as wrong:
                still = [each.what for each in to_put_back(network, self._book.set_up(network))]
                raise Refusal(str(wrong), possible=still) from wrong
        self._book.record(Kind.RESTORATION, "restored", body, step_id)

    def _set(self, step: Mapping[str, Any], step_id: object) -> None:
        device, position = text_of(step, "device"), text_of(step, "position")
        if self._book.network is None:
            raise Refusal("this job has no devices to set")
        self._try_on_the_drawing(lambda network, setup: apply_set(network, setup, device, position), device)
        self._book.record(Kind.POSITION, "set", {"device": device, "position": position}, step_id)

    def _try_on_the_drawing(self, change: Callable[[Network, SetUp], SetUp], device: str) -> None:
        """Refuse what the installation cannot do, with what is possible: positions of the device, else devices."""
        network = self._book.network
        if network is None:
            return
        try:
            change(network, self._book.set_up(network))
        except InputWrong as wrong:
            known = network.devices.get(device)
            settable = [each.id for each in network.devices.values() if each.positions]
            raise Refusal(str(wrong), possible=list(known.positions) if known else settable) from wrong

    def _confirm(self, step: Mapping[str, Any], step_id: object) -> None:
        caution, cautions = text_of(step, "caution"), self._book.pack.cautions
        if caution not in cautions and caution not in cautions.values():
            raise Refusal(f"there is no caution {caution!r}: name its test", possible=[str(test) for test in cautions])
        self._book.record(Kind.CONFIRMATION, "confirmed", {"caution": caution}, step_id)

    def _skip(self, step: Mapping[str, Any], step_id: object) -> None:
        item = self._item(step)
        possible = [t.value for t in self._book.pack.possible_tests(item, self._book.plan)]
        test = choice_of(step, "test", possible)
        self._book.record(Kind.SKIP, "skipped", {"item": item.id, "test": test, "why": text_of(step, "why")}, step_id)

    def _note(self, step: Mapping[str, Any], step_id: object) -> None:
        self._book.record(Kind.NOTE, "noted", {"text": text_of(step, "text")}, step_id)

    def _close(self, step: Mapping[str, Any], step_id: object) -> None:
        seal = yes_or_no(step, "seal")
        left = unfinished(self._book.state)
        if left:
            raise Refusal("the job cannot be closed yet: see `unfinished`", unfinished=left)
        body = {"seal": seal, "results": len(self._book.state.current)}
        self._book.record(Kind.CLOSED, "closed", body, step_id)


_DOERS: Final[dict[str, Callable[[Steps, Mapping[str, Any], object], None]]] = {
    "prove": Steps._prove,
    "select": Steps._select,
    "take": Steps._take,
    "judge": Steps._judge,
    "key": Steps._key,
    "alter": Steps._alter,
    "restore": Steps._restore,
    "set": Steps._set,
    "confirm": Steps._confirm,
    "skip": Steps._skip,
    "note": Steps._note,
    "close": Steps._close,
}

STEP_NAMES: Final = tuple(_DOERS)
"""Every `do` that there is."""

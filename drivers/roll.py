"""The roll of a session: which meter hangs on which line, so that no two lines speak for one meter.

Everything that is recorded of a meter (its proofs, its numbers, its results) goes by its serial number. Two meters that
give the same one, or one meter on two lines, would be taken for each other: the line that comes second is refused.
Here lives that, and what is told when something besides the meter's own words contradicts them. Who a meter is comes
from its conversation alone.
"""

from __future__ import annotations

from collections.abc import Callable, Sequence

from drivers.address import Address, AddressKind
from drivers.links.base import Witness
from drivers.links.ble_service import as_address
from logger.errors import InputWrong, InstrumentFailed
from logger.happening import Happening, Identified, RawBytes
from logger.text import harmless

KEYED_SERIAL = "keyed"
"""Serial number of a keyed meter that was given none."""

Emit = Callable[[Sequence[Happening]], None]


class Roll:
    """One for a session, on the loop of its lines.

    Args:
        note: told, in a sentence, of what a person should know and nobody need act on.
    """

    def __init__(self, note: Callable[[str], None]) -> None:
        self._note = note
        self._line_of: dict[str, str] = {}
        self._noted: set[str] = set()

    def expect(self, addresses: Sequence[Address]) -> None:
        """Take up the lines of the session; a meter that is keyed by hand has its serial number from the start.

        Raises:
            InputWrong: if two of them name one meter.
        """
        seen: dict[tuple[str, str], str] = {}
        for address in addresses:
            name = (address.kind, _place(address))
            if name in seen:
                both = f"{harmless(seen[name])} and {harmless(address.url)}"
                raise InputWrong(f"One meter is given twice ({both})", "leave one of them out")
            seen[name] = address.url
            if address.kind is AddressKind.KEYED:
                self._line_of[name[1]] = address.url

    def claim(self, line: str, serial: str) -> None:
        """A meter of that serial number is on `line`, and no other is any more.

        Raises:
            InstrumentFailed: if it is on another line; that one keeps it.
        """
        holder = self._line_of.get(serial)
        if holder is not None and holder != line:
            raise InstrumentFailed(
                f"The meter on {harmless(line)} says it is {harmless(serial)}, as the one on {harmless(holder)} does",
                "take one of the two away; if they are two meters, one record cannot tell them apart",
            )
        for other in [s for s, at in self._line_of.items() if at == line and s != serial]:
            del self._line_of[other]
        self._line_of[serial] = line

    def listen(self, line: str, emit: Emit, make_link: object) -> Emit:
        """What takes the happenings of `line` and passes them on to `emit`, as long as the meter on it is its own.

        Once it is not, the bytes that came are passed on and nothing that was read out of them, and it raises
        InstrumentFailed, which ends the line.
        """
        witness = make_link if isinstance(make_link, Witness) else None

        def take(happenings: Sequence[Happening]) -> None:
            for happening in happenings:
                if isinstance(happening, Identified):
                    try:
                        self.claim(line, happening.identity.serial)
                    except InstrumentFailed:
                        emit([each for each in happenings if isinstance(each, RawBytes)])
                        raise
                    if witness is not None:
                        self._tell_once(witness.doubts(happening.identity))
            emit(happenings)

        return take

    def _tell_once(self, doubt: str) -> None:
        if doubt and doubt not in self._noted:
            self._noted.add(doubt)
            self._note(doubt)


def _place(address: Address) -> str:
    """Where the address leads, however it is spelt; for a meter that is keyed, its serial number."""
    match address.kind:
        case AddressKind.KEYED:
            return address.options.get("serial", KEYED_SERIAL)
        case AddressKind.BLE:
            return as_address(address.target) or address.target
        case AddressKind.TCP:
            return address.target.casefold()
        case _:
            return address.target

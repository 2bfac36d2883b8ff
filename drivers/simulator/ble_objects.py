"""Objects on a D-Bus connection, out of plain tables: what a program needs to offer services to BlueZ.

Here lives D-Bus plumbing (properties, object manager, replies); what the objects mean does not. Linux only.
"""

from __future__ import annotations

import asyncio
import os
from collections.abc import Awaitable, Callable, Mapping
from dataclasses import dataclass, field
from typing import Any, Final

from dbus_fast import DBusError, Message, MessageType, Variant
from dbus_fast.aio import MessageBus

PROPERTIES: Final = "org.freedesktop.DBus.Properties"
OBJECT_MANAGER: Final = "org.freedesktop.DBus.ObjectManager"


@dataclass(frozen=True, slots=True)
class Answer:
    """What a method returns. Descriptors in `fds` are given away: they are closed here once they were sent."""

    signature: str = ""
    body: list[Any] = field(default_factory=list)
    fds: list[int] = field(default_factory=list)


NOTHING: Final = Answer()

Method = Callable[[Message], Answer | Awaitable[Answer]]
"""Takes the call; raises DBusError to refuse it."""


@dataclass(slots=True)
class _Interface:
    properties: dict[str, Variant]
    methods: Mapping[str, Method]


class Objects:
    """The objects that this program has on a bus, below `root`.

    Args:
        bus: connected.
        root: path of the object that lists the others (`GetManagedObjects`) and tells when one comes or goes.
    """

    def __init__(self, bus: MessageBus, root: str = "/") -> None:
        self.bus = bus
        self._root = root
        self._objects: dict[str, dict[str, _Interface]] = {}
        self._answering: set[asyncio.Task[None]] = set()
        bus.add_message_handler(self._handle)

    def put(
        self, path: str, interface: str, properties: Mapping[str, Variant], methods: Mapping[str, Method] | None = None
    ) -> asyncio.Future[None] | None:
        """Offer `interface` at `path`, and tell of it; yields what is done once that is sent, None without a bus."""
        self._objects.setdefault(path, {})[interface] = _Interface(dict(properties), methods or {})
        return self._signal(
            self._root, OBJECT_MANAGER, "InterfacesAdded", "oa{sa{sv}}", [path, {interface: dict(properties)}]
        )

    def take_away(self, path: str) -> None:
        """Remove the object at `path`, if there is one, and tell of it."""
        interfaces = self._objects.pop(path, None)
        if interfaces is not None:
            self._signal(self._root, OBJECT_MANAGER, "InterfacesRemoved", "oas", [path, list(interfaces)])

    def below(self, path: str) -> list[str]:
        """Paths of the objects below `path`, the deepest first."""
        return sorted((each for each in self._objects if each.startswith(f"{path}/")), reverse=True)

    def change(self, path: str, interface: str, changed: Mapping[str, Variant]) -> None:
        """Change properties, and tell of it. Nothing happens where the object is gone."""
        there = self._objects.get(path, {}).get(interface)
        if there is not None:
            there.properties.update(changed)
            self._signal(path, PROPERTIES, "PropertiesChanged", "sa{sv}as", [interface, dict(changed), []])

    async def call(
        self,
        destination: str,
        path: str,
        interface: str,
        member: str,
        signature: str = "",
        body: list[Any] | None = None,
    ) -> Message:
        """Call another's method; its reply.

        Raises:
            DBusError: if it is refused, or the bus is gone.
        """
        call = Message(
            destination=destination, path=path, interface=interface, member=member, signature=signature, body=body or []
        )
        reply = await self.bus.call(call)
        if reply is None:
            raise DBusError("org.freedesktop.DBus.Error.NoReply", "no reply")
        if reply.message_type is MessageType.ERROR:
            raise DBusError(reply.error_name or "", str(reply.body[0]) if reply.body else "")
        return reply

    async def settle(self) -> None:
        """Return when the bus has taken all that was sent: sending on and on would overrun the connection."""
        await self.call("org.freedesktop.DBus", "/org/freedesktop/DBus", "org.freedesktop.DBus", "GetId")

    def _signal(
        self, path: str, interface: str, member: str, signature: str, body: list[Any]
    ) -> asyncio.Future[None] | None:
        if not self.bus.connected:
            return None
        return self.bus.send(Message.new_signal(path, interface, member, signature, body))

    def _handle(self, message: Message) -> bool:
        method = self._method(message) if message.message_type is MessageType.METHOD_CALL else None
        if method is None:
            return False
        answering = asyncio.ensure_future(self._reply(message, method))
        self._answering.add(answering)
        answering.add_done_callback(self._answering.discard)
        return True

    def _method(self, message: Message) -> Method | None:
        interfaces = self._objects.get(message.path or "", {})
        if message.interface == OBJECT_MANAGER and message.path == self._root:
            return {"GetManagedObjects": self._managed}.get(message.member or "")
        if message.interface == PROPERTIES and interfaces:
            return {"Get": self._get, "GetAll": self._get_all}.get(message.member or "")
        there = interfaces.get(message.interface or "")
        return there.methods.get(message.member or "") if there is not None else None

    async def _reply(self, message: Message, method: Method) -> None:
        answer = NOTHING
        try:
            outcome = method(message)
            answer = outcome if isinstance(outcome, Answer) else await outcome
            reply = Message.new_method_return(message, answer.signature, answer.body, answer.fds)
        except DBusError as refused:
            reply = Message.new_error(message, refused.type, refused.text)
        try:
            if self.bus.connected:
                await self.bus.send(reply)
        finally:
            for descriptor in answer.fds:
                os.close(descriptor)

    def _managed(self, _message: Message) -> Answer:
        return Answer(
            "a{oa{sa{sv}}}",
            [
                {
                    path: {name: dict(there.properties) for name, there in interfaces.items()}
                    for path, interfaces in self._objects.items()
                }
            ],
        )

    def _get(self, message: Message) -> Answer:
        name, member = message.body
        value = self._there(message, name).get(member)
        if value is None:
            raise DBusError("org.freedesktop.DBus.Error.InvalidArgs", f"no property {member}")
        return Answer("v", [value])

    def _get_all(self, message: Message) -> Answer:
        return Answer("a{sv}", [dict(self._there(message, message.body[0]))])

    def _there(self, message: Message, interface: str) -> dict[str, Variant]:
        there = self._objects.get(message.path or "", {}).get(interface)
        return there.properties if there is not None else {}

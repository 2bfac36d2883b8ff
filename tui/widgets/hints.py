"""What can be done now, as hints to read, press or click."""

from __future__ import annotations

from textual.app import ComposeResult
from textual.containers import Horizontal
from textual.content import Content
from textual.events import Click
from textual.widgets import Static

from tui.actions import BY_NAME
from tui.messages import Wanted


class Hint(Static):
    """One action: `[Enter] take`. A click is as good as the key."""

    DEFAULT_CSS = """
    Hint { width: auto; height: 1; margin: 0 2 0 0; }
    Hint:hover { background: $boost; text-style: underline; }
    """

    def __init__(self, name: str) -> None:
        action = BY_NAME[name]
        key = Content.styled(f"[{action.shown}]", "bold $text-accent")
        super().__init__(key + Content(f" {action.short}"), markup=False)
        self._wanted = name
        self.tooltip = Content(action.words)

    def on_click(self, event: Click) -> None:
        """Ask for the action."""
        event.stop()
        self.post_message(Wanted(self._wanted))


class Hints(Horizontal):
    """A row of hints; drawn anew only when it changes."""

    DEFAULT_CSS = "Hints { height: 1; width: 1fr; }"

    def __init__(self, names: tuple[str, ...] = ()) -> None:
        super().__init__()
        self._names = names

    def compose(self) -> ComposeResult:
        """A hint an action."""
        for name in self._names:
            yield Hint(name)

    async def show(self, names: tuple[str, ...]) -> None:
        """Offer these."""
        if names != self._names:
            self._names = names
            await self.recompose()

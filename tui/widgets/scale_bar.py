"""The scale under the figure: track, limit, mark, labels."""

from __future__ import annotations

from textual.content import Content
from textual.reactive import reactive
from textual.widget import Widget

from tui.view import ScaleView
from tui.widgets.scale_rows import ScaleRows, draw_scale

LEAST_WIDTH = 20
"""Fewest columns in which a scale says anything."""


class ScaleBar(Widget):
    """Two rows: the track and its labels."""

    DEFAULT_CSS = "ScaleBar { width: 1fr; height: 2; text-wrap: nowrap; }"

    scale: reactive[ScaleView | None] = reactive(None)

    def render(self) -> Content:
        """The rows, or nothing while there is no scale."""
        if self.scale is None or self.size.width < LEAST_WIDTH:
            return Content("")
        rows = draw_scale(self.scale, self.size.width)
        return Content("\n").join([_track(rows), Content.styled(rows.labels, "$faint")])


def _track(rows: ScaleRows) -> Content:
    track = Content.styled(rows.track, "$faint")
    for column in rows.limits:
        track = track.stylize("bold $foreground", column, column + 1)
    if rows.mark_to > rows.mark_from:
        track = track.stylize("bold $accent", rows.mark_from, rows.mark_to)
    return track

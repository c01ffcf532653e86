"""A push button."""

from collections.abc import Sequence
from typing import ClassVar

from drivers.devices.common import max_age_s
from robotcore.checking import Table
from robotcore.layout import Channel


class Button:
    """Driver ``button``: one state.

    Only the stated number counts as pressed: a garbled state must not start a run.

    Args:
        options: ``pressed_at`` (the state when pressed; default 1, give 0 for a contact that opens) and
            ``max_age_ms`` (default 100).

    """

    capability: ClassVar[str] = "button"
    channels: ClassVar[tuple[Channel, ...]] = (Channel("state", "B", "1 pressed, 0 not"),)
    elementwise: ClassVar[bool] = True

    def __init__(self, options: Table) -> None:
        self._pressed_at = options.integer("pressed_at", 1, low=0, high=255)
        self.max_age_s = max_age_s(options, 100)

    def pressed(self, counts: Sequence[int]) -> bool:
        """Tell whether it is pressed."""
        return counts[0] == self._pressed_at

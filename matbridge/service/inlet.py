"""The port from outside, if the performance has one: its messages act on the bridge."""

from __future__ import annotations

from collections.abc import Callable, Mapping
from typing import TYPE_CHECKING

from matbridge.loop import Loop
from matbridge.mapping.plan import InputPlan
from matbridge.service.log import Log

if TYPE_CHECKING:
    from matbridge.midi.inputs import Input

# What the log knows it by; a performance has one input.
KEY = "input"


class Inlet:
    """on_message: called with each whole message and the second at which it was read."""

    def __init__(self, loop: Loop, log: Log, on_message: Callable[[bytes, float], None]) -> None:
        self._loop = loop
        self._log = log
        self._on_message = on_message
        self._plan: tuple[str, str] | None = None
        self._input: Input | None = None

    def use(self, plan: InputPlan | None) -> None:
        """Listen to this port from now on, or to none; one that is listened to already stays."""
        wanted = None if plan is None else (plan.pattern, plan.driver)
        if wanted == self._plan:
            return
        self.close()
        self._plan = wanted
        if plan is not None:
            from matbridge.midi.inputs import Input

            self._input = Input(plan.pattern, plan.driver)
            self._input.on_message = self._on_message
            self._input.on_change = self._changed
            self._input.open(self._loop)

    def look(self) -> None:
        """Tell, once, of a port that is not there."""
        if self._input is not None and not self._log.has_failed(KEY):
            facts = self._input.status()
            if not facts["up"]:
                self._log.failed(KEY, "input not there", port=facts["pattern"],
                                 reason=facts.get("why", ""))  # fmt: skip

    def close(self) -> None:
        """Listen no more. Twice is harmless."""
        if self._input is not None:
            self._input.close()
        self._input = self._plan = None

    def status(self) -> Mapping[str, object] | None:
        """Facts for a person, or None where there is no input."""
        return None if self._input is None else self._input.status()

    def _changed(self, up: bool) -> None:
        if self._plan is None:
            return
        port = self._plan[0]
        if not up:
            self._log.failed(KEY, "input lost", port=port)
        elif not self._log.mended(KEY, "input back", port=port):
            self._log.info("input open", port=port)

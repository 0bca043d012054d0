"""What the control socket asks of a bridge, done. One method a word of protocol.ASKS."""

from __future__ import annotations

from collections.abc import Callable
from difflib import get_close_matches

from matbridge.errors import ControlError, TakeError
from matbridge.loop import Loop, Timer
from matbridge.mapping.plan import Act
from matbridge.playing.player import TRANSPOSE_LIMIT
from matbridge.service.bridge import Bridge
from matbridge.service.control import Exchange
from matbridge.service.protocol import reply
from matbridge.service.reload import Reloader
from matbridge.service.status import frame, scene, status

# How often watchers are shown a frame: as fast as an eye reads.
FRAME_S = 0.1

# What frames may take of the loop's time; of a wide mat there are fewer.
SHARE = 0.02


class Commands:
    """Handles the exchanges of a ControlServer, and shows its watchers what goes on.

    stop: ends the bridge, soon. show: sends a line to all who watch.
    """

    show: Callable[[bytes], None]

    def __init__(
        self, loop: Loop, bridge: Bridge, reloader: Reloader, name: str, stop: Callable[[], None]
    ) -> None:
        self._loop = loop
        self._bridge = bridge
        self._reloader = reloader
        self._name = name
        self._end = stop
        self._frames: Timer | None = None
        self._started_s = loop.now_s()

    def handle(self, exchange: Exchange) -> None:
        """Answer, now or later. Raises ControlError for what cannot be granted."""
        getattr(self, f"_{exchange.ask}")(exchange)

    def status(self) -> dict[str, object]:
        """Status of the bridge, and of what is around it."""
        now_s = self._loop.now_s()
        return {
            "name": self._name,
            "running_s": round(now_s - self._started_s, 1),
            **status(self._bridge),
            "reload_error": self._reloader.error,
        }

    def watched(self, watchers: int) -> None:
        """So many watch now: nobody is shown what nobody sees."""
        if watchers and self._frames is None:
            self._frames = self._loop.call_at(self._loop.now_s(), self._show_frame)
        elif not watchers and self._frames is not None:
            self._frames.cancel()
            self._frames = None

    def _show_frame(self) -> None:
        began_s = self._loop.now_s()
        self.show(reply({"frame": frame(self._bridge)}))
        took_s = self._loop.now_s() - began_s
        self._frames = self._loop.call_at(began_s + max(FRAME_S, took_s / SHARE), self._show_frame)

    def entered(self) -> None:
        """Another preset plays, or another show."""
        if self._frames is not None:
            self.show(reply({"scene": scene(self._bridge)}))

    def _status(self, exchange: Exchange) -> None:
        exchange.grant(self.status())

    def _presets(self, exchange: Exchange) -> None:
        exchange.grant({"presets": self._names(), "preset": self._bridge.preset})

    def _preset(self, exchange: Exchange) -> None:
        names, name = self._names(), exchange.fields.get("name")
        if name in names:
            self._bridge.act(Act.PRESET, names.index(name))
        elif name == "next":
            self._bridge.act(Act.NEXT_PRESET)
        elif name == "previous":
            self._bridge.act(Act.PREVIOUS_PRESET)
        else:
            near = get_close_matches(str(name), names, n=1)
            hint = f"did you mean '{near[0]}'?" if near else f"there are {', '.join(names)}"
            raise ControlError(f"there is no preset '{name}'; {hint}")
        exchange.grant({"preset": self._bridge.preset})

    def _panic(self, exchange: Exchange) -> None:
        released = len(self._bridge.pipeline.player.sounding())
        self._bridge.act(Act.PANIC)
        exchange.grant({"released": released})

    def _reload(self, exchange: Exchange) -> None:
        def answer(error: str) -> None:
            if error:
                exchange.refuse(error)
            else:
                exchange.grant({"performance": self._bridge.show.performance.name})

        self._reloader.reload(answer)

    def _transpose(self, exchange: Exchange) -> None:
        for field, act in (("by", Act.TRANSPOSE), ("to", Act.TRANSPOSE_TO)):
            semitones = exchange.fields.get(field)
            if isinstance(semitones, int):
                if abs(semitones) > TRANSPOSE_LIMIT:
                    raise ControlError(
                        f"{semitones} semitones are not within"
                        f" -{TRANSPOSE_LIMIT} to {TRANSPOSE_LIMIT}"
                    )
                self._bridge.act(act, semitones)
        exchange.grant({"transpose": self._bridge.pipeline.player.transpose})

    def _mute(self, exchange: Exchange) -> None:
        player = self._bridge.pipeline.player
        if exchange.fields.get("to") is not player.muted:
            self._bridge.act(Act.MUTE)
        exchange.grant({"muted": player.muted})

    def _record(self, exchange: Exchange) -> None:
        recorder = self._bridge.recorder
        before = recorder.path
        try:
            self._bridge.record(bool(exchange.fields.get("to", recorder.path is None)))
        except TakeError as error:
            raise ControlError(str(error)) from error
        ended = before if before != recorder.path else None
        exchange.grant({"take": str(recorder.path or ""), "ended": str(ended or "")})

    def _stop(self, exchange: Exchange) -> None:
        exchange.grant({})
        self._end()

    def _watch(self, exchange: Exchange) -> None:
        exchange.watch({"scene": scene(self._bridge)})

    def _names(self) -> list[str]:
        return [preset.name for preset in self._bridge.show.performance.presets]

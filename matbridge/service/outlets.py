"""The outputs of a running show: each gets what is for it, and none can stop the others.

up ──down──▶ down   what sounds on it is owed, and nothing more is handed to it
down ──up──▶ up     first what it is owed goes out, then what a receiver must know
up ──join──▶ up     a further receiver is told what it must know; the others hear nothing of it
"""

from __future__ import annotations

from collections.abc import Callable, Mapping, Sequence
from dataclasses import replace

from matbridge.loop import Loop, Timer
from matbridge.mapping.plan import OutputKind, OutputPlan
from matbridge.midi.messages import KEYS
from matbridge.midi.output import START_WAIT_S, Output
from matbridge.midi.outputs import make_output
from matbridge.playing.ledger import recover
from matbridge.service.log import Log
from matbridge.service.owed import OwedNotes, Where, where
from matbridge.service.pipeline import Sent

# Drivers that are only asked now and then whether the port is there may have lost it a while ago.
_UNSEEN = (OutputKind.PORT, OutputKind.VIRTUAL)

# How long changes of what sounds are gathered before the disk is asked to keep them: what a power
# cut may lose, against the wear of a memory card.
KEEP_S = 0.02

# Under which the log remembers that what sounds is not kept.
_OWED = "owed notes"


class Outlets:
    """Every output of a show, by its index.

    image: where the ledger marks what sounds. on_down: called with the
    index of an output that went away, and whether that may have gone unseen for a while. on_up:
    called with the index of one that is there again. on_join: called with the index of one that a
    further receiver has joined, for what it must know. taps: each is called with all that was sent
    to whole outputs.
    """

    on_down: Callable[[int, bool], None]
    on_up: Callable[[int], None]
    on_join: Callable[[int], Sequence[bytes]]

    def __init__(
        self, loop: Loop, log: Log, plans: Sequence[OutputPlan], owed: OwedNotes | None
    ) -> None:
        """owed: where to keep what sounds, if anywhere.

        Raises OutputUnavailable where an output can never be made.
        """
        self._loop = loop
        self._log = log
        self.plans = tuple(plans)
        self.outputs: list[Output] = [_make(plan) for plan in plans]
        self.image = bytearray(len(self.outputs) * KEYS)
        self._heard = bytearray(len(self.image))  # the image as the receivers have it
        self.taps: list[Callable[[Sent], None]] = []
        self._owed = owed
        self._open_now: set[Output] = set()
        self._keeps = False  # whether `owed` knows these outputs
        self._keeping: Timer | None = None
        self._orphans: dict[Where, bytes] = {}  # owed to outputs that are in no show now

    def open(self) -> None:
        """Open all. Raises OutputError where one can never come; none is open then."""
        self._open(self.outputs, START_WAIT_S)

    def send(self, sent: Sent) -> None:
        """Hand over messages: to each output all of its own at once, in order."""
        owed = self._owed if self._keeps else None
        if owed is not None:
            owed.sending(sent)
        batches: dict[int, list[bytes]] = {}
        for index, message in sent:
            if index in batches:
                batches[index].append(message)
            else:
                batches[index] = [message]
        for index, batch in batches.items():
            try:
                self.outputs[index].send(batch)
            except Exception as error:  # noqa: BLE001 - a driver's mistake must not stop the others
                self._log.failed(f"send {index}", "output failed", output=self.outputs[index].name,
                                 reason=f"{type(error).__name__}: {error}")  # fmt: skip
        self._heard[:] = self.image
        if owed is not None:
            owed.sent(self.image)
            if self._keeping is None:
                self._keeping = self._loop.call_at(self._loop.now_s() + KEEP_S, self._keep)
        for tap in self.taps:
            tap(sent)

    def amend(self) -> None:
        """A mistake lost messages on their way here: end what is heard and no ledger knows."""
        lost = bytes(
            heard and not known for heard, known in zip(self._heard, self.image, strict=True)
        )
        self.send([(output, message) for output, message in recover(lost)])

    def prepare(self, plans: Sequence[OutputPlan]) -> list[Output]:
        """The outputs of another show. Those that are in both, by whatever name, are shared.

        A new one is open, unless its place is that of one that leaves, as with other options on the
        same device: `use` opens it. Raises OutputError where a new one can never come; nothing has
        changed then.
        """
        for output in self._open_now.difference(self.outputs):
            self._close(output)  # of another preparation, which came to nothing
        left = dict(zip(self.plans, self.outputs, strict=True))
        shared = {plan: left.pop(plan) for plan in plans if plan in left}
        for plan in plans:
            renamed = [old for old in left if replace(old, name=plan.name) == plan]
            if renamed and plan not in shared:
                shared[plan] = left.pop(renamed[0])
        outputs = [shared.get(plan) or _make(plan) for plan in plans]
        taken = set(map(where, left))
        self._open(
            [
                output
                for plan, output in zip(plans, outputs, strict=True)
                if plan not in shared and where(plan) not in taken
            ],
            0.0,
        )
        return outputs

    def use(
        self, plans: Sequence[OutputPlan], outputs: list[Output], image: bytearray
    ) -> bytearray:
        """Put prepared outputs in the place of the old, which have been sent all they were owed.

        Returns an image of what was left sounding on the new ones in an earlier show. Raises
        OutputError where one whose place was taken until now can never come: these are the outputs
        then, and all whose places were taken are closed.
        """
        for index, (plan, output) in enumerate(zip(self.plans, self.outputs, strict=True)):
            if plan in plans:
                continue
            left = bytes(self.image[index * KEYS : (index + 1) * KEYS])
            if any(left):  # it was down: owed to it until some show has it again
                self._orphans[where(plan)] = left
            if output not in outputs:
                self._log.mended(_key(output), "output given up", output=output.name)
                self._close(output)
        self.plans, self.outputs, self.image = tuple(plans), outputs, image
        self._heard = bytearray(len(image))
        self._keeps = False
        for plan, output in zip(plans, outputs, strict=True):
            if output.name != plan.name:
                self._log.info("output renamed", output=plan.name, before=output.name)
                output.name = plan.name
        self._open([output for output in outputs if output not in self._open_now], 0.0)
        return self._adopt()

    def take_owed(self) -> bytearray:
        """What an earlier process left sounding on these outputs, as an image."""
        if self._owed is not None:
            try:
                self._orphans = self._owed.left()
            except OSError as error:
                self._log.warning("owed notes not readable", path=error.filename,
                                  reason=error.strerror)  # fmt: skip
        return self._adopt()

    def keep_owed(self) -> None:
        """From now on keep what sounds, and what is owed, where it survives this process.

        To be called once the image says what `take_owed` or `use` returned, before that is sent.
        """
        if self._owed is None:
            return
        try:
            self._owed.use(self.plans, self.image, self._orphans)
        except OSError as error:
            self._log.warning("owed notes not kept", reason=error.strerror)
        else:
            self._keeps = True

    def look(self) -> None:
        """Tell what a disk that refuses to keep what sounds says. To be called now and then."""
        if self._owed is None:
            return
        if trouble := self._owed.trouble:
            self._log.failed(_OWED, "owed notes not kept", reason=trouble)
        else:
            self._log.mended(_OWED, "owed notes kept again")

    def _keep(self) -> None:
        self._keeping = None
        if self._owed is not None:
            self._owed.keep()

    def _adopt(self) -> bytearray:
        image = bytearray(len(self.image))
        for index, plan in enumerate(self.plans):
            keys = self._orphans.pop(where(plan), None)
            if keys is not None:
                image[index * KEYS : (index + 1) * KEYS] = keys
        return image

    def close(self) -> None:
        """Let what was sent leave, and close all. Twice is harmless."""
        for output in self.outputs:
            self._close(output)
        if self._keeping is not None:
            self._keeping.cancel()
            self._keeping = None
        if self._owed is not None:
            self._owed.close()

    def status(self) -> list[Mapping[str, object]]:
        """Facts about each output, for a person."""
        return [{"name": output.name, **output.status()} for output in self.outputs]

    def _open(self, outputs: Sequence[Output], wait_s: float) -> None:
        try:
            for output in outputs:
                output.on_down = lambda reason, output=output: self._down(output, reason)
                output.on_up = lambda output=output: self._up(output)
                output.on_join = lambda output=output: self._join(output)
                output.open(self._loop, wait_s)
                self._open_now.add(output)
        except Exception:
            for output in outputs:
                self._close(output)
            raise
        for output in outputs:
            if output.up:
                self._log.info("output open", output=output.name)
            else:
                self._log.failed(_key(output), "output not there", output=output.name,
                                 reason=output.status().get("why", ""))  # fmt: skip

    def _down(self, output: Output, reason: str) -> None:
        self._log.failed(_key(output), "output lost", output=output.name, reason=reason)
        if output in self.outputs:
            index = self.outputs.index(output)
            self.on_down(index, self.plans[index].kind in _UNSEEN)

    def _up(self, output: Output) -> None:
        self._log.mended(_key(output), "output back", output=output.name)
        if output in self.outputs:
            self.on_up(self.outputs.index(output))

    def _join(self, output: Output) -> Sequence[bytes]:
        return self.on_join(self.outputs.index(output)) if output in self.outputs else ()

    def _close(self, output: Output) -> None:
        self._open_now.discard(output)
        self._log.forget(_key(output))
        try:
            output.close()
        except Exception as error:  # noqa: BLE001 - likewise
            self._log.warning("output did not close", output=output.name, reason=error)


def _make(plan: OutputPlan) -> Output:
    return make_output(plan.name, plan.kind.value, plan.target, dict(plan.options))


def _key(output: Output) -> str:
    """What the log knows it by, whatever it is called."""
    return f"output {id(output)}"

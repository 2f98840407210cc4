"""Own a simulated operator at a simulated bench, doing what the prompts ask; never a real one."""

from collections.abc import Mapping

from rig.daemon.loop import Loop
from rig.engine import Status
from rig.procedure.steps import Prompt as Asked
from rig.readings import Readings
from rig.sim.hands import Act, Hands, Kind, Prompt
from rig.sim.pins import PinsView
from rig.sim.plant import Plant
from rig.units import M3_PER_CC, SEA_LEVEL_PA

STROKE_M3 = 16.0 * M3_PER_CC
"""One stroke of a common hand pump."""
_PRESS_S = 0.15
_TIP_CM3 = 0.6
_KINDS: Mapping[str, Kind] = {
    Asked.PUMP: Kind.PUMP,
    Asked.PUMP_GENTLY: Kind.PUMP,
    Asked.RESEAT: Kind.RESEAT,
    Asked.CAP_HOSE: Kind.MARK,
    Asked.STROKES_AGAINST_SHUT: Kind.MARK,
    Asked.SYRINGE_IN: Kind.MARK,
    Asked.SYRINGE: Kind.MARK,
}
_STROKES_AGAINST_SHUT = 3


class Operator:
    """Hands that see the prompts of a loop and work pump, hose, syringe and mark of its bench."""

    def __init__(self, loop: Loop, plant: Plant, pins: PinsView, seed: int) -> None:
        self._loop = loop
        self._plant = plant
        self._pins = pins
        self._hands = Hands(seed)
        self._seen: str | None = None
        self._pressed_s: float | None = None
        loop.listen(self._after_turn)

    def _after_turn(self, status: Status, batches: list[Readings]) -> None:
        del batches
        step = None if status.prompt is None else f"{status.run} {status.step}"
        if step != self._seen:
            self._seen = step
            self._prepare(status)
        ambient_pa = SEA_LEVEL_PA if status.ambient_pa is None else status.ambient_pa
        vacuum_pa = 0.0 if status.pressure_pa is None else ambient_pa - status.pressure_pa
        now_s = self._loop.clock.mono_s()
        if self._pressed_s is not None and now_s >= self._pressed_s + _PRESS_S:
            # The prompt that asked for the press is gone by now, and what was planned under it.
            self._pins.release("mark")
            self._pressed_s = None
        for act in self._hands.act(now_s, self._prompt(status), vacuum_pa):
            self._do(act, now_s)

    def _prompt(self, status: Status) -> Prompt | None:
        if status.prompt is None:
            return None
        kind = _KINDS.get(status.prompt.code, Kind.WAIT)
        return Prompt(kind, status.target_pa)

    def _prepare(self, status: Status) -> None:
        """Do with the hose what a prompt asks for, before the mark that tells of it."""
        code = None if status.prompt is None else status.prompt.code
        if code == Asked.CAP_HOSE:
            self._plant.connect(None)
        elif code == Asked.STROKES_AGAINST_SHUT:
            for _ in range(_STROKES_AGAINST_SHUT):
                self._plant.stroke(STROKE_M3)
        elif code == Asked.SYRINGE_IN:
            self._plant.connect({"name": "syringe", "rest_cm3": _TIP_CM3})
        elif code == Asked.SYRINGE and status.prompt is not None:
            volume_cm3 = float(status.prompt.figures["volume_m3"]) / M3_PER_CC
            self._plant.fault("plunger", cm3=_TIP_CM3 + volume_cm3)

    def _do(self, act: Act, now_s: float) -> None:
        if act is Act.STROKE:
            self._plant.stroke(STROKE_M3)
        elif act is Act.PRESS_MARK:
            self._pins.press("mark")
            self._pressed_s = now_s
        elif act is Act.RESEAT:
            self._plant.fault("hose_on")

"""Own a small bench that answers steps with recordings; it shares no code with what it tests.

Manifold and part are two volumes of gas, each with one temperature that its wall draws back with
one time constant; gas carries its enthalpy, a moving wall does work. Valves move a moment after
they are told to, frames of 200 Hz arrive a moment after they were taken. Euler steps of 5 ms.
"""

import math
from collections.abc import Mapping
from dataclasses import dataclass, field, replace

import numpy as np

from rig.procedure.replay import drive
from rig.procedure.steps import (
    Acknowledged,
    Elapsed,
    Procedure,
    Prompt,
    Pulled,
    Recording,
    Released,
    Step,
    StepResult,
)
from rig.readings import Readings, Samples
from rig.runs import StepRecord, TestResult

INHG = 3386.389
SEA_LEVEL_PA = 101_325.0
STD_CC_MIN = 1e-6 / 60.0
LIMIT_VACUUM_PA = 15.0 * INHG
_STANDARD_KG_M3, _R = 1.185, 288.0  # ISO 8778, dry enough
_GAMMA = 1.4
_DT_S = 0.005
_FRAMES_A_TICK = 2
_VALVE_S = 0.015
_FIRST_SEQUENCE = 7000
_NOISE_FRAMES = 100_000
_MCU_BEHIND_S = 321.123456


def altitude_pa(metres: float) -> float:
    """Compute the pressure of the standard atmosphere (ISO 2533) at a height."""
    return SEA_LEVEL_PA * (1.0 - 2.25577e-5 * metres) ** 5.25588


def shape(law: str, ratio: float, critical_ratio: float = 0.4) -> float:
    """Compute a leak's flow over that into a perfect vacuum, at a ratio of pressures."""
    if law == "laminar":
        return max(1.0 - ratio * ratio, 0.0)
    over = (ratio - critical_ratio) / (1.0 - critical_ratio)
    if over <= 0.0:
        return 1.0
    return math.sqrt(1.0 - over * over) if over < 1.0 else 0.0


@dataclass(frozen=True)
class Part:
    """What hangs on the hose.

    `leak_m3_s` is the standard flow at sea level at 15 inHg. `stroke_m3` leaves the chamber between
    two vacuums; `creep_m3` leaves it in the end at 15 inHg, with `creep_s` going and `creep_back_s`
    coming back.
    """

    rest_m3: float = 18e-6
    stroke_m3: float = 4e-6
    starts_pa: float = 3.0 * INHG
    full_pa: float = 8.0 * INHG
    leak_m3_s: float = 0.0
    law: str = "orifice"
    critical_ratio: float = 0.4
    creep_m3: float = 0.0
    creep_s: float = 5.0
    creep_back_s: float = 5.0
    warms_s: float = 0.4

    @property
    def stop_m3(self) -> float:
        """Get the volume on the stop, creep apart."""
        return self.rest_m3 - self.stroke_m3

    def drop_pa(self, from_pa: float, within_s: float, volume_m3: float) -> float:
        """Integrate what a hand gauge loses by the leak alone, at sea level and 20 degC."""
        full = self.leak_m3_s / self._shape(1.0 - LIMIT_VACUUM_PA / SEA_LEVEL_PA)
        rate_pa_s = full * _STANDARD_KG_M3 * _R * 293.15 / volume_m3
        pressure_pa, count = SEA_LEVEL_PA - from_pa, 300
        for _ in range(count):
            half = pressure_pa + 0.5 * self._step_pa(pressure_pa, rate_pa_s, within_s / count)
            pressure_pa += self._step_pa(half, rate_pa_s, within_s / count)
        return pressure_pa - (SEA_LEVEL_PA - from_pa)

    def _step_pa(self, pressure_pa: float, rate_pa_s: float, step_s: float) -> float:
        return rate_pa_s * self._shape(pressure_pa / SEA_LEVEL_PA) * step_s

    def _shape(self, ratio: float) -> float:
        return shape(self.law, ratio, self.critical_ratio)


TIGHT = Part()
BLOCKED = Part(rest_m3=0.1e-6, stroke_m3=0.0)


@dataclass(frozen=True)
class Made:
    """How the bench is made and what is wrong with it.

    `hose_off` is by the name of the step: how long into it the hose slips off, to be put on again
    where the operator is asked to. `vent_stuck_in` is the step from whose begin the vent stays
    shut, "" from the start on. `syringe_marks_m3` are where the plunger of a syringe in the place
    of the part truly stands. `other_channels` read ambient and so much more.
    """

    rig_m3: float = 25e-6
    ambient_pa: float = SEA_LEVEL_PA
    room_k: float = 294.0
    part_warmer_k: float = 0.0
    warms_s: float = 0.6
    pump_m3_s: float = 6.7e-6
    pump_reaches: float = 0.85
    pump_leak_m3_s: float = 0.0
    vent_m3_s: float = 1e-4
    vent_stuck_in: str | None = None
    lease_drops: bool = True
    own_leak_m3_s: float = 0.0
    hose_off: Mapping[str, float] = field(default_factory=dict)
    ambient_moves_pa: float = 0.0
    zero_pa: float = 0.0
    span: float = 0.0
    white_pa: float = 3.0
    slow_pa: float = 0.0
    step_pa: float = 0.0
    latency_s: float = 0.03
    other_channels: Mapping[str, float] = field(default_factory=dict)
    has_t_gas: bool = True
    broken_share: float = 0.0
    starts_at_pa: float | None = None
    syringe_marks_m3: tuple[float, ...] = ()
    part_valve_shuts: bool = True


@dataclass
class _Gas:
    """One volume: its content p V [J] and amount p V / T."""

    volume_m3: float
    content_j: float
    amount_j_k: float
    wall_k: float

    @classmethod
    def filled(cls, volume_m3: float, pressure_pa: float, wall_k: float) -> "_Gas":
        content_j = pressure_pa * volume_m3
        return cls(volume_m3, content_j, content_j / wall_k, wall_k)

    @property
    def pressure_pa(self) -> float:
        return self.content_j / self.volume_m3

    @property
    def temperature_k(self) -> float:
        return self.content_j / self.amount_j_k

    def gain(self, amount_j_k: float, temperature_k: float) -> None:
        self.amount_j_k += amount_j_k
        self.content_j += _GAMMA * temperature_k * amount_j_k

    def resize(self, volume_m3: float) -> None:
        self.content_j *= (self.volume_m3 / volume_m3) ** (_GAMMA - 1.0)
        self.volume_m3 = volume_m3

    def warm(self, share: float) -> None:
        self.content_j += (self.wall_k * self.amount_j_k - self.content_j) * share


class BenchModel:
    """One bench with one part on its hose, from the moment it was switched on."""

    def __init__(self, part: Part = TIGHT, made: Made | None = None, seed: int = 1) -> None:
        self.part, self.bench = part, made or Made()
        bench = self.bench
        self.rng = np.random.default_rng(seed)
        self.now_s = 5000.0
        self.steps: list[Step] = []
        self.records: list[StepRecord] = []
        start_pa = bench.starts_at_pa or bench.ambient_pa
        self._rig = _Gas.filled(bench.rig_m3, start_pa, bench.room_k)
        self._hung = _Gas.filled(part.rest_m3, start_pa, bench.room_k + bench.part_warmer_k)
        self._crept_m3 = 0.0
        self._hose_is_off = False
        self._vent_stuck = bench.vent_stuck_in == ""
        self._valves = {"pump": "shut", "vent": "open", "part": "open"}
        self._moves_at_s: list[tuple[float, dict[str, str]]] = []
        self._strokes = False
        self._ambient_pa = bench.ambient_pa
        self._true_pa: list[float] = []
        self._mcu_us: list[int] = []
        self._noise = self.rng.normal(0.0, 1.0, _NOISE_FRAMES)
        self._errors_pa = bench.white_pa * self._noise + bench.slow_pa * self._slow()
        self._leak_full = part.leak_m3_s / shape(
            part.law, 1.0 - LIMIT_VACUUM_PA / SEA_LEVEL_PA, part.critical_ratio
        )
        self._own_full = bench.own_leak_m3_s / shape(
            "laminar", 1.0 - LIMIT_VACUUM_PA / SEA_LEVEL_PA
        )
        self._pass(2.0)

    def run(self, procedure: Procedure) -> TestResult:
        """Drive a procedure on this bench."""
        return drive(procedure, self.made)

    @property
    def names(self) -> list[str]:
        """List the names of the steps that were made."""
        return [step.name for step in self.steps]

    def readings(self) -> Readings:
        """Get everything that was recorded, as the channels gave it."""
        mcu_us = np.array(self._mcu_us, dtype=np.int64)
        sequence = _FIRST_SEQUENCE + np.arange(mcu_us.size, dtype=np.int64)
        counts = np.zeros((mcu_us.size, 1), dtype=np.int64)
        samples = Samples(sequence, mcu_us, counts, self.now_s)
        return Readings(samples, mcu_us * 1e-6 + _MCU_BEHIND_S, self._values(0, mcu_us.size))

    def made(self, step: Step) -> StepResult:
        """Make a step."""
        bench = self.bench
        self.steps.append(step)
        began_s, first = self.now_s, self._arrived()
        self._begin(step)
        off_s = bench.hose_off.get(step.name)
        looks = list(step.watch.times_s) if step.watch is not None else []
        lowest_pa, progress_s = math.inf, began_s
        ended_by = None
        while ended_by is None:
            self._pass(0.01)
            elapsed_s = self.now_s - began_s
            if off_s is not None and elapsed_s >= off_s:
                self._hose_is_off = True
            read_pa = self._read_pa(self._arrived() - 1)
            if isinstance(step.until, Pulled) and read_pa < lowest_pa - step.until.progress_pa:
                lowest_pa, progress_s = read_pa, self.now_s
            if looks and elapsed_s >= looks[0] and step.watch is not None:
                looks = [time_s for time_s in looks if elapsed_s < time_s]
                if step.watch.decided(self._recording(first)):
                    ended_by = "decided"
                    break
            ended_by = self._ended_by(step, elapsed_s, read_pa, self.now_s - progress_s)
        record = StepRecord(
            step.name,
            step.state,
            began_s,
            self.now_s,
            _FIRST_SEQUENCE + first,
            _FIRST_SEQUENCE + self._arrived(),
            ended_by,
            {"clock_offset_s": _MCU_BEHIND_S},
        )
        self.records.append(record)
        return StepResult(record, self._recording(first))

    # the operator and the valves

    def _begin(self, step: Step) -> None:
        bench = self.bench
        valves = dict(step.valves)
        if not bench.part_valve_shuts:
            valves.pop("part", None)
        if step.withhold_lease and bench.lease_drops:
            valves = {"pump": "shut", "vent": "open", "part": "open"}
        self._moves_at_s.append((self.now_s + _VALVE_S, valves))
        self._strokes = isinstance(step.until, Pulled)
        if step.name == bench.vent_stuck_in:
            self._vent_stuck = True
        prompt = "" if step.prompt is None else step.prompt.code
        self._strokes |= prompt == Prompt.STROKES_AGAINST_SHUT
        if prompt == Prompt.RESEAT:
            self._hose_is_off = False
        if prompt == Prompt.SYRINGE and bench.syringe_marks_m3:
            mark = int(step.name.rpartition(".")[2])
            self._hung.resize(self.part.rest_m3 + bench.syringe_marks_m3[mark])
        if step.name.startswith("zero.again"):
            self._ambient_pa += bench.ambient_moves_pa

    @staticmethod
    def _ended_by(step: Step, elapsed_s: float, read_pa: float, stalled_s: float) -> str | None:
        match step.until:
            case Elapsed(duration_s):
                return "done" if elapsed_s >= duration_s - 1e-9 else None
            case Acknowledged():
                return "acknowledged" if elapsed_s >= 5.0 else None
            case Released(pressure_pa, timeout_s):
                if read_pa >= pressure_pa:
                    return "reached"
                return "timeout" if elapsed_s >= timeout_s else None
            case Pulled() as pulled:
                if read_pa <= pulled.pressure_pa:
                    return "reached"
                return "timeout" if stalled_s >= pulled.stall_s else None

    # the gas

    def _pass(self, duration_s: float) -> None:
        for _ in range(round(duration_s / _DT_S)):
            self.now_s += _DT_S
            while self._moves_at_s and self._moves_at_s[0][0] <= self.now_s:
                self._valves.update(self._moves_at_s.pop(0)[1])
            self._gas_step()
            self._true_pa.append(self._rig.pressure_pa)
            self._mcu_us.append(round((self.now_s - _MCU_BEHIND_S) * 1e6))

    def _gas_step(self) -> None:
        bench, part, rig, hung = self.bench, self.part, self._rig, self._hung
        air_pa, air_k = self._ambient_pa, bench.room_k
        rig_pa = rig.pressure_pa
        self._pump(rig_pa)
        if self._valves["vent"] == "open" and not self._vent_stuck:
            flow = bench.vent_m3_s * (air_pa - rig_pa) / air_k * _DT_S
            rig.gain(flow, air_k if flow > 0.0 else rig.temperature_k)
        per_s = air_pa / SEA_LEVEL_PA * _STANDARD_KG_M3 * _R * _DT_S
        if self._own_full:
            of_law = shape("laminar", rig_pa / air_pa) * air_pa / SEA_LEVEL_PA
            rig.gain(self._own_full * of_law * per_s, air_k)
        if self._leak_full:
            ratio = hung.pressure_pa / air_pa
            of_law = shape(part.law, ratio, part.critical_ratio)
            if part.law == "laminar":
                of_law *= air_pa / SEA_LEVEL_PA
            hung.gain(self._leak_full * of_law * per_s, air_k)
        if self._hose_is_off:
            hung.gain((air_pa - hung.pressure_pa) * hung.volume_m3 * 0.3 / air_k, air_k)
        if self._valves["part"] == "open":
            self._level()
        self._move_wall()
        rig.warm(_DT_S / bench.warms_s)
        hung.warm(_DT_S / part.warms_s)

    def _pump(self, rig_pa: float) -> None:
        bench = self.bench
        if not self._strokes or self.now_s % 1.4 > 1.0:  # a hand draws for 1 s and comes back
            return
        reach_pa = (1.0 - bench.pump_reaches) * bench.ambient_pa
        way = bench.pump_m3_s if self._valves["pump"] == "open" else bench.pump_leak_m3_s
        if rig_pa > reach_pa and way > 0.0:
            gone = way * (rig_pa - reach_pa) / self._rig.temperature_k * _DT_S
            self._rig.gain(-gone, self._rig.temperature_k)

    def _level(self) -> None:
        one, other = self._rig, self._hung
        if one.pressure_pa < other.pressure_pa:
            one, other = other, one
        levels = (one.pressure_pa - other.pressure_pa) / (1 / one.volume_m3 + 1 / other.volume_m3)
        temperature_k = one.temperature_k
        passed = 0.7 * levels / (_GAMMA * temperature_k)
        one.gain(-passed, temperature_k)
        other.gain(passed, temperature_k)

    def _move_wall(self) -> None:
        part, hung = self.part, self._hung
        vacuum_pa = self._ambient_pa - hung.pressure_pa
        if part.creep_m3:
            end_m3 = part.creep_m3 * vacuum_pa / LIMIT_VACUUM_PA
            tau_s = part.creep_s if end_m3 > self._crept_m3 else part.creep_back_s
            self._crept_m3 += (end_m3 - self._crept_m3) * _DT_S / tau_s
        if not part.stroke_m3 and not part.creep_m3:
            return
        share = (vacuum_pa - part.starts_pa) / (part.full_pa - part.starts_pa)
        wanted_m3 = part.rest_m3 - part.stroke_m3 * min(max(share, 0.0), 1.0) - self._crept_m3
        hung.resize(hung.volume_m3 + 0.25 * (wanted_m3 - hung.volume_m3))

    # the frames

    def _slow(self) -> np.ndarray:
        """Make noise whose power is the same in each octave, from one in a minute to 2 Hz."""
        frames = np.arange(_NOISE_FRAMES)
        slow = np.zeros(_NOISE_FRAMES)
        frequencies_hz = np.geomspace(1.0 / 60.0, 2.0, 10)
        for frequency_hz in frequencies_hz:
            phase, height = self.rng.uniform(0.0, 2.0 * math.pi), self.rng.normal()
            slow += height * np.sin(2.0 * math.pi * frequency_hz * _DT_S * frames + phase)
        return slow * math.sqrt(2.0 / frequencies_hz.size)

    def _arrived(self) -> int:
        return max(len(self._true_pa) - round(self.bench.latency_s / _DT_S), 1)

    def _read_pa(self, index: int) -> float:
        bench = self.bench
        read_pa = self._true_pa[index] * (1.0 + bench.span) + bench.zero_pa
        read_pa += float(self._errors_pa[index % _NOISE_FRAMES])
        return round(read_pa / bench.step_pa) * bench.step_pa if bench.step_pa else read_pa

    def _values(self, first: int, stop: int) -> dict[str, np.ndarray]:
        bench = self.bench
        of_frame = np.arange(first, stop) % _NOISE_FRAMES
        read_pa = np.array(self._true_pa[first:stop]) * (1.0 + bench.span) + bench.zero_pa
        read_pa += self._errors_pa[of_frame]
        if bench.step_pa:
            read_pa = np.round(read_pa / bench.step_pa) * bench.step_pa
        values = {"p_a": read_pa}
        if bench.has_t_gas:
            values["t_gas"] = bench.room_k + 0.02 * self._noise[-of_frame - 1]
        for name, apart_pa in bench.other_channels.items():
            values[name] = np.full(read_pa.size, self._ambient_pa + apart_pa)
        if bench.broken_share:
            values["p_a"] = np.where(of_frame % 100 < 100 * bench.broken_share, np.nan, read_pa)
        return values

    def _recording(self, first: int) -> Recording:
        stop = self._arrived()
        mcu_us = np.array(self._mcu_us[first:stop], dtype=np.int64)
        sequence = _FIRST_SEQUENCE + np.arange(first, stop, dtype=np.int64)
        return Recording(mcu_us * 1e-6 + _MCU_BEHIND_S, sequence, self._values(first, stop))


def leaking(part: Part, drop_pa: float, within_s: float, volume_m3: float) -> Part:
    """Give a part the leak that drops a hand gauge by so much from 15 inHg (bisection)."""
    low_m3_s, high_m3_s = 0.0, 200.0 * STD_CC_MIN
    for _ in range(40):
        middle = replace(part, leak_m3_s=0.5 * (low_m3_s + high_m3_s))
        if middle.drop_pa(LIMIT_VACUUM_PA, within_s, volume_m3) < drop_pa:
            low_m3_s = middle.leak_m3_s
        else:
            high_m3_s = middle.leak_m3_s
    return replace(part, leak_m3_s=low_m3_s)

"""Own the trip, the interlocks' use and the lease; never wait for a lock, never forget a trip.

`trip` may be called from any thread and from a signal handler. All else is for one caller at a
time: the loop that runs the bench, which calls `watch` with what was read and then `tick`, once a
step each, and whoever holds that loop's lock.
"""

from collections.abc import Callable, Mapping
from types import MappingProxyType

from rig.clock import Clock
from rig.config import SafetySettings
from rig.errors import BenchError
from rig.outputs.interlocks import Refused, RunLimits, Situation, broken
from rig.outputs.valves import SIGNALS, Outputs
from rig.outputs.watch import Watch
from rig.readings import Readings
from rig.records import Finding

_ALARM_BEAT_S = 0.5
_MOST_KEPT = 32
_NOBODY: Mapping[str, Callable[[], bool]] = MappingProxyType({})


class Safety:
    """The interlocks, the sticky trip and the lease of one bench.

    `beat` tells the board that the program lives; `tick` alone calls it, and not while tripped.
    `still` has for a trip whose cause only others can see (store_failing, ...) the question whether
    that cause is still there; it is asked at a reset.
    """

    def __init__(
        self,
        outputs: Outputs,
        settings: SafetySettings,
        beat: Callable[[], None],
        clock: Clock,
        still: Mapping[str, Callable[[], bool]] = _NOBODY,
    ) -> None:
        self._outputs = outputs
        self._beat = beat
        self._clock = clock
        self._still = dict(still)
        self._watch = Watch(settings, clock.mono_s())
        self._trips: list[Finding] = []
        self._later = 0
        self._limits: RunLimits | None = None
        self._flushed = False
        self._supply_on = False
        self._withheld = False
        self._coil_since_s: float | None = None
        self._sounded = False
        outputs.when_stopped(self._stop_noticed)

    @property
    def tripped(self) -> Finding | None:
        """Get the reason of the first trip since the last reset, None if there was none."""
        first = self._trips[:1]
        return first[0] if first else None

    @property
    def trips(self) -> tuple[Finding, ...]:
        """Get the reasons since the last reset, oldest first, the first of each kind."""
        return tuple(_first_of_each_kind(self._trips[:]))

    @property
    def later_trips(self) -> int:
        """Get how many trips there were after the first since the last reset."""
        return max(len(self._trips) - 1, 0) + self._later

    @property
    def limits(self) -> RunLimits | None:
        """Get the limits of the run that is watched over, None outside a run."""
        return self._limits

    @property
    def supply_on(self) -> bool:
        """Tell whether the board, when last heard, kept the supply on."""
        return self._supply_on

    def arm(self, limits: RunLimits) -> None:
        """Begin to watch over a run.

        Raises Refused while another is on, while tripped, while no readings come, and where a port
        that has a limit cannot be read.
        """
        if self._limits is not None:
            raise Refused((Finding("armed_already"),))
        self._refuse_if_tripped()
        self._watch.begin(limits)
        unseen = self._watch.unseen(self._clock.mono_s())
        if unseen:
            self._watch.end()
            raise Refused(unseen)
        self._limits = limits
        self._flushed = False

    def acknowledge_flushed(self) -> None:
        """Note that somebody flushed the part of this run: motor and coil may act on it.

        Outside a run this does nothing: the next part is another one.
        """
        if self._limits is not None:
            self._flushed = True

    def set_ambient(self, ambient_pa: float) -> None:
        """Set the pressure of the room [Pa absolute] for this run, as the vented rig reads it."""
        self._watch.set_ambient(ambient_pa)

    def request(self, positions: Mapping[str, str | bool]) -> None:
        """Set valves "open" or "shut" and other outputs on (True) or off, all of them or none.

        What goes to rest goes first, and the vent shuts before the pump valve opens. Raises Refused
        where an interlock stands against it, nothing moved, or a trip came in its way, all at rest;
        BenchError for a name or position that there is not, and for a failing pin, which trips.
        """
        wanted = {name: self._is_energised_by(name, to) for name, to in positions.items()}
        present = self._outputs.energised()
        reasons = broken(self._situation(present, wanted))
        if reasons:
            raise Refused(reasons)
        order = [name for name in self._outputs.names if name in wanted]
        for name in (it for it in order if not wanted[it] and present[it]):
            self._set(name, False)
        for name in (it for it in reversed(order) if wanted[it] and not present[it]):
            self._set(name, True)

    def rest(self) -> None:
        """Put everything but the signals to rest, and end the run.

        No interlock bars that. A pin that fails trips, and is tried again by `tick`.
        """
        self._end_run()
        self._put_to_rest()

    def trip(self, reason: Finding) -> None:
        """Put every output to rest and hold it there until a reset; from any thread.

        The first reason is kept, later ones are counted. Outputs whose pins fail are a reason of
        their own: `tick` goes on trying them, and the lease, fed no longer, drops them meanwhile.
        """
        self._trips.append(reason)
        failed = self._outputs.safe()
        if failed:
            self._trips.append(_not_at_rest(failed))

    def withhold_lease(self, withheld: bool) -> None:
        """Stop feeding the lease on purpose, to prove that the board then drops the supply.

        Meanwhile a supply that goes off is no trip. What it dropped is put to rest before the lease
        is fed again, so that nothing jumps when the supply comes back.
        """
        if self._withheld and not withheld:
            self._put_to_rest()
        self._withheld = withheld

    def watch(self, readings: Readings | None, supply_on: bool, now_s: float) -> None:
        """Hold what was read since the last step against every limit, and trip beyond one.

        `readings` is None if nothing came. `supply_on` is what the board said last. Beyond the
        maximum of a port everything is vented before this returns.
        """
        dropped = self._supply_on and not supply_on and not self._withheld
        if dropped and self._anything_energised():
            # The stop contact takes the supply away, too: name the cause, not what it did.
            stopped = self._outputs.stop_pressed()
            self._trip_once(Finding("stop_pressed" if stopped else "supply_off"))
        self._supply_on = supply_on
        if readings is not None:
            for beyond in self._watch.look(readings, supply_on, now_s):
                self._trip_once(beyond)

    def stale(self, now_s: float) -> bool:
        """Tell whether no readings have come for more than a second; outside a run, no trip."""
        return self._watch.is_stale(now_s)

    def tick(self, now_s: float) -> None:
        """Look at what time and buttons bring, and feed the lease unless tripped.

        To be called once a step by the loop that runs the bench, and by nothing else: a lease that
        something else feeds outlives a hung loop.
        """
        self._keep_few()
        if self._outputs.stop_pressed():
            self._stop_noticed()
        if self._limits is not None:
            for unseen in self._watch.unseen(now_s):
                self._trip_once(unseen)
            self._look_at_coil(now_s, self._limits)
        if self.tripped is None:
            if not self._withheld:
                self._beat()
        elif self._anything_energised():
            self._outputs.safe()
        self._sound_alarm(now_s)

    def reset(self) -> None:
        """End a trip on a person's word; the run that it ended is over, and a new one must arm.

        Without a trip this does nothing. Raises Refused while a cause is still there; its findings
        are those causes as they stand.
        """
        seen = len(self._trips)
        if not seen and not self._outputs.is_held:
            return
        standing = tuple(self._standing())
        if standing:
            raise Refused(standing)
        self._end_run()
        self._outputs.release()
        del self._trips[:seen]
        self._later = 0
        if self._trips:
            # One came while this one was being ended: it has the last word.
            self._outputs.safe()

    def _standing(self) -> list[Finding]:
        now_s = self._clock.mono_s()
        found = []
        for reason in self.trips:
            there = self._watch.standing(reason, self._supply_on, now_s)
            if reason.code == "stop_pressed" and self._outputs.stop_pressed():
                there = reason
            if reason.code in self._still and self._still[reason.code]():
                there = reason
            if there is not None:
                found.append(there)
        failed = self._outputs.safe()
        if failed:
            found.append(_not_at_rest(failed))
        return _first_of_each_kind(found)

    def _is_energised_by(self, name: str, to: str | bool) -> bool:
        if isinstance(to, str):
            return self._outputs.needs_energising(name, to)
        if self._outputs.is_valve(name):
            raise BenchError(f'the valve {name} is set "open" or "shut", not {to}')
        return to

    def _situation(self, present: Mapping[str, bool], wanted: Mapping[str, bool]) -> Situation:
        now_s = self._clock.mono_s()
        energised = {**present, **wanted}
        newly = {name for name, on in wanted.items() if on and not present[name]}
        tripped = self.tripped
        return Situation(
            energised=energised,
            newly=frozenset(newly - SIGNALS),
            tripped_by=None if tripped is None else tripped.code,
            armed=self._limits,
            flushed=self._flushed,
            supply_on=self._supply_on,
            data_age_s=self._watch.data_age_s(now_s),
            ports=self._watch.ports(now_s),
        )

    def _put_to_rest(self) -> None:
        for name in self._outputs.names:
            if name not in SIGNALS:
                try:
                    self._outputs.set_energised(name, False)
                except BenchError as error:
                    self._trip_once(_pin_failed(error))

    def _set(self, name: str, energised: bool) -> None:
        try:
            self._outputs.set_energised(name, energised)
        except BenchError as error:
            self._refuse_if_tripped()
            self.trip(_pin_failed(error))
            raise

    def _refuse_if_tripped(self) -> None:
        tripped = self.tripped
        if tripped is not None:
            raise Refused((Finding("held_by_trip", {"trip": tripped.code}),))

    def _anything_energised(self) -> bool:
        """Tell whether a pin but a signal's is energised; one that cannot be read may be."""
        try:
            return any(on for name, on in self._outputs.energised().items() if name not in SIGNALS)
        except BenchError:
            return True

    def _end_run(self) -> None:
        self._limits = None
        self._watch.end()
        self._withheld = False
        self._coil_since_s = None

    def _stop_noticed(self) -> None:
        self._trip_once(Finding("stop_pressed"))

    def _trip_once(self, reason: Finding) -> None:
        """Trip, unless it stands for such a reason already: a lasting cause is one trip."""
        if all(it.code != reason.code for it in self._trips[:]):
            self.trip(reason)

    def _keep_few(self) -> None:
        """Drop repeated reasons, only counting them, so that no flood fills the memory."""
        seen = len(self._trips)
        if seen > _MOST_KEPT:
            kept = _first_of_each_kind(self._trips[:seen])
            self._later += seen - len(kept)
            self._trips[:seen] = kept

    def _look_at_coil(self, now_s: float, limits: RunLimits) -> None:
        if "coil" not in self._outputs.names or limits.max_coil_s is None:
            return
        if not self._outputs.is_energised("coil"):
            self._coil_since_s = None
        elif self._coil_since_s is None:
            self._coil_since_s = now_s
        elif now_s - self._coil_since_s > limits.max_coil_s:
            self._trip_once(Finding("coil_on_too_long", {"max_coil_s": limits.max_coil_s}))

    def _sound_alarm(self, now_s: float) -> None:
        """Beep while the bath is over its limit, tripped or not: no supply is needed for that."""
        hot = self._watch.bath_hot
        if "buzzer" not in self._outputs.names or not (hot or self._sounded):
            return
        self._sounded = hot
        beeping = hot and now_s % (2.0 * _ALARM_BEAT_S) < _ALARM_BEAT_S
        try:
            if self._outputs.is_energised("buzzer") is not beeping:
                self._outputs.set_energised("buzzer", beeping)
        except BenchError as error:
            self._trip_once(_pin_failed(error))


def _pin_failed(error: BenchError) -> Finding:
    return Finding("pin_failed", {"what": str(error)})


def _not_at_rest(failed: tuple[str, ...]) -> Finding:
    return Finding("not_at_rest", {"output": ", ".join(failed)})


def _first_of_each_kind(reasons: list[Finding]) -> list[Finding]:
    kinds: dict[str, Finding] = {}
    for reason in reasons:
        kinds.setdefault(reason.code, reason)
    return list(kinds.values())

"""Own the inputs of a simulated board and what ails them; never send a count."""

from collections.abc import Mapping

from rig.config import Bench
from rig.errors import BenchError
from rig.readings import ChannelSpec
from rig.sim.transfer import Input, inputs_of


class BoardInputs:
    """An input for each channel of a bench; `values` is what the plant gives.

    Raises BenchError where the plant gives no value for a channel, or no finite one.
    """

    def __init__(self, bench: Bench, values: Mapping[str, float]) -> None:
        self._inputs = {each.channel: each for each in inputs_of(bench, values)}
        self._frozen: dict[str, int] = {}
        self._held_v: dict[str, float] = {}
        self._spikes: dict[str, tuple[float, int]] = {}

    @property
    def specs(self) -> tuple[ChannelSpec, ...]:
        """Get the channels as a hello tells them."""
        return tuple(each.spec for each in self._inputs.values())

    def counts(self, values: Mapping[str, float]) -> tuple[int, ...]:
        """Convert the bench's values, with what ails the inputs, in the order of the hello."""
        if not (self._frozen or self._held_v or self._spikes):
            return tuple(each.count(each.volts(values)) for each in self._inputs.values())
        return tuple(self._ailing(each, values) for each in self._inputs.values())

    def freeze(self, channel: str, values: Mapping[str, float]) -> None:
        """Let a channel repeat for ever the count that it has now."""
        one = self._input(channel)
        self._frozen[channel] = self._ailing(one, values)

    def hold(self, channel: str, volts: float) -> None:
        """Hold a channel at volts at its sensor."""
        self._held_v[self._input(channel).channel] = volts

    def spike(self, channel: str, volts: float, frames: int) -> None:
        """Let a channel leap to volts at its sensor for some frames."""
        self._spikes[self._input(channel).channel] = (volts, frames)

    def mend(self, channel: str) -> None:
        """Undo all that was done to a channel."""
        for faults in (self._frozen, self._held_v, self._spikes):
            faults.pop(self._input(channel).channel, None)

    def ends_v(self, channel: str) -> tuple[float, float]:
        """Get the volts of a thermistor that is open, and of one that is shorted."""
        ends_v = self._input(channel).ends_v
        if ends_v is None:
            raise BenchError(f"simulated board: the channel '{channel}' is no thermistor.")
        return ends_v

    def _ailing(self, one: Input, values: Mapping[str, float]) -> int:
        channel = one.channel
        if channel in self._frozen:
            return self._frozen[channel]
        volts = self._held_v[channel] if channel in self._held_v else one.volts(values)
        if channel in self._spikes:
            volts, left = self._spikes.pop(channel)
            if left > 1:
                self._spikes[channel] = (volts, left - 1)
        return one.count(volts)

    def _input(self, channel: str) -> Input:
        if channel not in self._inputs:
            known = ", ".join(self._inputs)
            raise BenchError(f"simulated board: there is no channel '{channel}'; it has {known}.")
        return self._inputs[channel]

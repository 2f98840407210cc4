"""Check the simulated board against the program's own end of the link."""

import os
import time
from collections.abc import Iterator
from dataclasses import dataclass, field
from datetime import UTC, datetime
from pathlib import Path

import numpy as np
import pytest

from rig.clock import FastClock, SystemClock
from rig.config import Bench, parse_bench
from rig.errors import BenchError
from rig.link.commands import Ask, Config, encode_command
from rig.link.frames import BoardFault, Decoder, Hello, SupplyCause, SupplyState
from rig.link.port import SerialPort
from rig.link.session import Connected, Lost, Restarted, Session
from rig.outputs.valves import Outputs
from rig.readings import Readings, Samples
from rig.sensing.channels import ChannelReader
from rig.sim.bench import simulated_bench_text
from rig.sim.device import SimDevice
from rig.sim.pins import PinsView, SimPins
from rig.sim.plant import BenchPlant
from rig.sim.plant_settings import PlantSettings


@dataclass
class Rig:
    """A whole simulated bench with the program's end of it; time passes as it is stepped."""

    folder: Path
    plant: BenchPlant
    bench: Bench
    clock: FastClock
    pins: SimPins
    outputs: Outputs
    device: SimDevice
    session: Session
    reader: ChannelReader | None = None
    events: list[object] = field(default_factory=list)
    readings: list[Readings] = field(default_factory=list)

    def run(self, duration_s: float, *, beats: bool = True) -> "Rig":
        """Turn the program's loop for a time, from a clean sheet."""
        self.events, self.readings = [], []
        for _ in range(round(duration_s / 0.01)):
            for event in self.session.poll():
                if isinstance(event, Samples):
                    assert self.reader is not None
                    self.readings.append(self.reader.read(event))
                    continue
                self.events.append(event)
                if isinstance(event, Connected):
                    self.reader = ChannelReader(self.bench, event.hello.channels)
            if beats:
                self.session.beat()
            self.clock.wait(0.01)
        return self

    def values(self, channel: str) -> np.ndarray:
        """Get the readings of a channel of the last run."""
        return np.concatenate([each.values[channel] for each in self.readings])

    def seen(self, kind: type) -> list:
        """Get the events of a kind of the last run."""
        return [event for event in self.events if isinstance(event, kind)]

    @property
    def counts(self) -> int:
        """Get how many samples came in the last run."""
        return sum(len(each.time_mono_s) for each in self.readings)


def _bench(folder: Path, rate_hz: int = 200) -> Bench:
    text = simulated_bench_text(str(folder / "board"), folder, rate_hz=rate_hz)
    return parse_bench(text, "bench.toml")


@pytest.fixture
def rig(tmp_path: Path) -> Iterator[Rig]:
    """Put a simulated bench together, in fast time, and let it connect."""
    bench = _bench(tmp_path)
    clock = FastClock(datetime(2026, 1, 1, tzinfo=UTC))
    pins = SimPins(bench, clock)
    view = PinsView(pins, bench)
    outputs = Outputs(bench, pins)
    outputs.release()
    plant = BenchPlant(PlantSettings(noisy=False, drifting=False))
    device = SimDevice(plant, bench, view)
    clock.attach(device.pass_time)
    session = Session(
        lambda: SerialPort(bench.link.port, clock),
        rate_hz=bench.link.rate_hz,
        lease_s=bench.link.lease_s,
        clock=clock,
    )
    made = Rig(tmp_path, plant, bench, clock, pins, outputs, device, session)
    made.run(1.0)
    assert len(made.seen(Connected)) == 1
    yield made
    outputs.close()
    session.close()
    device.close()
    pins.close()


def test_it_introduces_itself_and_streams_at_the_rate(rig: Rig) -> None:
    """A hello with an input for each channel, then 200 samples a second, none lost or refused."""
    hello = rig.session.hello
    assert hello is not None
    assert [spec.name for spec in hello.channels] == [
        each.input for each in rig.bench.channels.values()
    ]
    rig.run(5.0)
    assert rig.counts == pytest.approx(1000, abs=2)
    assert (rig.session.missing, rig.session.refused) == (0, 0)


def test_what_the_plant_gives_arrives_to_a_step_of_the_converter(rig: Rig) -> None:
    """Through volts, counts, lines and back: pressure to 3 Pa, temperature to 0.01 K, and so on."""
    rig.run(1.0)
    true = rig.plant.advance({}, 0.0)
    tolerances = {"p_a": 2.8, "p_b": 2.8, "t_gas": 0.01, "t_bath": 0.01, "travel": 1e-6}
    for channel, tolerance in tolerances.items():
        np.testing.assert_allclose(rig.values(channel), true[channel], rtol=0.0, atol=tolerance)
    np.testing.assert_allclose(rig.values("supply"), 12.6, rtol=0.0, atol=0.001)
    assert not any(each.flags for each in rig.readings)


def test_the_boards_time_runs_on_its_own_crystal(rig: Rig) -> None:
    """Samples 5 ms apart by a clock that is 30 ppm fast, as the hello's time begins at zero."""
    rig.run(10.0)
    times_us = np.concatenate([each.samples.mcu_us for each in rig.readings])
    steps_us = np.diff(times_us)
    assert steps_us.mean() == pytest.approx(5000.0 * (1.0 + 30e-6), rel=2e-6)
    assert times_us[0] < 2_000_000


def test_outputs_reach_the_plant_while_the_supply_is_on(rig: Rig) -> None:
    """Pins and lease must agree: the vent shuts while beats come, and opens when they end."""
    rig.run(0.5)
    assert rig.device.supply_on
    rig.outputs.set_energised("vent", True)
    rig.run(0.2)
    assert rig.plant.gas.valves["vent"].share == 0.0
    rig.run(0.4, beats=False)
    assert rig.plant.gas.valves["vent"].share == 0.0
    rig.run(0.2, beats=False)
    assert not rig.device.supply_on
    assert rig.plant.gas.valves["vent"].share == 1.0
    assert rig.outputs.is_energised("vent")
    assert SupplyState(False, SupplyCause.BEATS) in rig.events


def test_the_supplys_state_is_told_each_second(rig: Rig) -> None:
    """On, once a second, beside every change."""
    rig.run(5.0)
    assert rig.seen(SupplyState) == [SupplyState(True, None)] * 5


def test_the_stop_button_opens_supply_and_pin(rig: Rig) -> None:
    """At once, beats or not; released, the supply comes back."""
    rig.device.stop_press()
    rig.run(0.1)
    assert rig.outputs.stop_pressed()
    assert SupplyState(False, SupplyCause.STOP) in rig.events
    assert not rig.device.supply_on
    rig.device.stop_release()
    rig.run(0.5)
    assert not rig.outputs.stop_pressed()
    assert rig.device.supply_on


def test_lost_frames_are_missing_and_no_more(rig: Rig) -> None:
    """Seven samples dropped: seven missing, the rest whole."""
    rig.device.drop(7)
    rig.run(1.0)
    assert rig.session.missing == 7
    assert rig.session.refused == 0
    assert sum(each.samples.missing for each in rig.readings) == 7


def test_garbled_lines_are_refused_and_no_more(rig: Rig) -> None:
    """Five lines with a bit flipped: five refused, and no wrong reading among the rest."""
    rig.device.garble(5)
    rig.run(1.0)
    assert rig.session.refused == 5
    assert rig.session.missing >= 4
    assert np.nanmax(np.abs(rig.values("p_a") - 101_325.0)) < 5.0


def test_a_reboot_is_a_new_start(rig: Rig) -> None:
    """The supply drops, the session notices another boot, and samples come again."""
    before = rig.session.hello
    rig.outputs.set_energised("vent", True)
    rig.device.reboot()
    assert not rig.device.supply_on
    rig.run(0.1)
    assert rig.plant.gas.valves["vent"].share == 1.0
    rig.run(1.5)
    (restarted,) = rig.seen(Restarted)
    assert before is not None
    assert restarted.hello.boot != before.boot
    assert len(rig.seen(Connected)) == 1
    assert rig.counts > 50


def test_an_unplugged_board_is_lost_and_found_by_its_name(rig: Rig) -> None:
    """Link and power are gone within a second; replugged, both are back."""
    rig.outputs.set_energised("vent", True)
    rig.run(0.1)
    rig.device.unplug()
    rig.run(1.0)
    assert len(rig.seen(Lost)) == 2  # gone first, then: no such port
    assert rig.plant.gas.valves["vent"].share == 1.0
    rig.device.replug()
    rig.run(6.0)
    assert len(rig.seen(Connected)) == 1
    assert rig.counts > 100


def test_silence_is_noticed_by_the_clock_alone(rig: Rig) -> None:
    """Nothing comes, the port stays: data grow stale; afterwards the lost samples are missing."""
    rig.device.silence(0.8)
    rig.run(0.7)
    assert rig.counts <= 4
    assert rig.seen(Lost) == []
    rig.run(1.0)
    assert rig.session.missing == pytest.approx(160, abs=4)


def test_a_frozen_channel_repeats_itself(rig: Rig) -> None:
    """Its reading stays whatever the pressure does; mended, it follows again."""
    rig.device.freeze("p_a")
    rig.plant.fault("ambient_shift", pa=-2000.0)
    rig.run(3.0)
    assert np.ptp(rig.values("p_a")) == 0.0
    assert rig.values("p_a")[-1] == pytest.approx(101_325.0, abs=5.0)
    rig.device.mend("p_a")
    rig.run(1.0)
    assert rig.values("p_a")[-1] == pytest.approx(99_325.0, abs=5.0)


def test_broken_and_bridged_thermistors_are_told_apart(rig: Rig) -> None:
    """The reader sees an open one, then a shorted one, then a sound one."""
    rig.device.thermistor_open("t_bath")
    rig.run(0.5)
    assert np.isnan(rig.values("t_bath")[-1])
    codes = {flag.code for each in rig.readings for flag in each.flags}
    rig.device.thermistor_short("t_bath")
    rig.run(0.5)
    assert np.isnan(rig.values("t_bath")[-1])
    codes |= {flag.code for each in rig.readings for flag in each.flags}
    assert codes == {"sensor_open", "sensor_shorted"}
    rig.device.mend("t_bath")
    rig.run(0.5)
    assert rig.values("t_bath")[-1] == pytest.approx(294.15, abs=0.01)


def test_a_spike_is_one_wild_reading(rig: Rig) -> None:
    """One sample far away, and back."""
    rig.device.spike("p_a", 3.0)
    rig.run(1.0)
    assert np.count_nonzero(~np.isfinite(rig.values("p_a"))) == 1


def test_the_supply_can_sag(rig: Rig) -> None:
    """Its channel shows the volts that were set."""
    rig.device.supply_volts(9.4)
    rig.run(0.5)
    assert rig.values("supply")[-1] == pytest.approx(9.4, abs=0.001)


def test_other_volts_can_be_forced_on_any_channel(rig: Rig) -> None:
    """4.0 V on a line from 0.5 V (0) to 4.5 V (115 kPa) is 7/8 of it."""
    rig.device.hold_volts("p_b", 4.0)
    rig.run(0.5)
    assert rig.values("p_b")[-1] == pytest.approx(115e3 * 7.0 / 8.0, abs=3.0)


class Host:
    """A host that speaks bytes only, on the board's port."""

    def __init__(self, folder: Path) -> None:
        self._fd = os.open(folder / "board", os.O_RDWR | os.O_NOCTTY | os.O_NONBLOCK)
        self._decoder = Decoder()

    def say(self, line: bytes) -> None:
        """Send bytes."""
        os.write(self._fd, line)

    def hear(self) -> list:
        """Read all messages that have come."""
        try:
            return self._decoder.feed(os.read(self._fd, 65_536), 0.0)
        except BlockingIOError:
            return []

    def close(self) -> None:
        """Let go of the port."""
        os.close(self._fd)


@pytest.fixture
def bare(tmp_path: Path) -> Iterator[tuple[SimDevice, Host]]:
    """Start a board without the program, with a host that speaks bytes."""
    bench = _bench(tmp_path)
    pins = SimPins(bench, FastClock(datetime(2026, 1, 1, tzinfo=UTC)))
    device = SimDevice(BenchPlant(), bench, PinsView(pins, bench))
    host = Host(tmp_path)
    yield device, host
    host.close()
    device.close()
    pins.close()


def test_before_it_is_configured_it_says_hello_each_second(bare: tuple[SimDevice, Host]) -> None:
    """Nothing else: no sample is sent that nobody could understand."""
    device, host = bare
    heard = []
    for _ in range(350):
        device.pass_time(0.01)
        heard += host.hear()
    assert {type(each) for each in heard} <= {Hello, SupplyState}
    assert len([each for each in heard if isinstance(each, Hello)]) == 4


def test_a_configuration_out_of_range_is_refused(bare: tuple[SimDevice, Host]) -> None:
    """The fault says what may be asked for, and no sample comes."""
    device, host = bare
    device.pass_time(0.5)
    host.hear()
    host.say(encode_command(Config(1, 5000, 500)))
    device.pass_time(0.5)
    (fault,) = [each for each in host.hear() if isinstance(each, BoardFault)]
    assert fault.code == "config_refused"
    assert "20 to 1000" in fault.detail


def test_noise_on_the_line_to_the_board_is_counted_and_survived(
    bare: tuple[SimDevice, Host],
) -> None:
    """Any bytes: the board tells how many lines it refused, and takes the next good one."""
    device, host = bare
    device.pass_time(0.5)
    host.say(bytes(range(256)) + b"\nnonsense\n")
    host.say(encode_command(Config(1, 200, 500)))
    heard = []
    for _ in range(150):
        device.pass_time(0.01)
        heard += host.hear()
    faults = [each for each in heard if isinstance(each, BoardFault)]
    assert [fault.code for fault in faults] == ["garbled"]
    assert sum(len(each.sequence) for each in heard if isinstance(each, Samples)) > 250


@pytest.mark.parametrize("rate_hz", [20, 333, 1000])
def test_any_rate_is_kept_without_drift(bare: tuple[SimDevice, Host], rate_hz: int) -> None:
    """The raster never rounds twice: exactly so many samples in ten seconds."""
    device, host = bare
    device.pass_time(0.5)
    host.say(encode_command(Config(1, rate_hz, 500)))
    samples = 0
    for _ in range(1000):
        device.pass_time(0.01)
        samples += sum(len(each.sequence) for each in host.hear() if isinstance(each, Samples))
    assert samples == pytest.approx(10 * rate_hz, abs=max(1, rate_hz // 100))


def test_a_bench_that_asks_for_more_than_the_plant_has_is_refused(tmp_path: Path) -> None:
    """A channel without a value: said at the start, and the port is not made."""
    text = simulated_bench_text(str(tmp_path / "board"), tmp_path)
    text += '\n[channels.signal]\nkind = "voltage"\ninput = "v1"\n'
    bench = parse_bench(text, "bench.toml")
    pins = SimPins(bench, FastClock(datetime(2026, 1, 1, tzinfo=UTC)))
    with pytest.raises(BenchError, match="no value for signal"):
        SimDevice(BenchPlant(), bench, PinsView(pins, bench))
    assert not (tmp_path / "board").exists()
    pins.close()


def test_it_lives_in_real_time_in_a_thread(tmp_path: Path) -> None:
    """Half a second of the system's clock: about a hundred samples; stopped, none."""
    bench = _bench(tmp_path)
    clock = SystemClock()
    pins = SimPins(bench, clock)
    device = SimDevice(BenchPlant(), bench, PinsView(pins, bench))
    host = Host(tmp_path)
    device.run_thread(clock)
    host.say(encode_command(Ask(0)) + encode_command(Config(1, 200, 500)))
    heard, until_s = [], time.monotonic() + 0.6
    while time.monotonic() < until_s:
        heard += host.hear()
        time.sleep(0.02)
    device.stop()
    host.hear()
    time.sleep(0.05)
    assert host.hear() == []
    samples = sum(len(each.sequence) for each in heard if isinstance(each, Samples))
    assert 40 < samples < 140
    host.close()
    device.close()
    pins.close()

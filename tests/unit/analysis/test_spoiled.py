"""Check what spoils a hold against disturbances of known kind and moment, and against none.

Curves come from a maker that knows nothing of the program; see `tests.support.curve_maker`.
"""

from collections.abc import Iterator
from dataclasses import replace

import numpy as np
import pytest

from rig.analysis.hold import Hold, HoldConditions, HoldCurve
from rig.analysis.leak import analyse_hold
from rig.analysis.spoiled import Inspection, hold_start_s, inspect
from rig.records import Outcome
from tests.benchmarks.common import conditions_of, curve_of, limit_of
from tests.support.curve_maker import Made, draw, make
from tests.support.leaks import INHG_PA, Gauge

FAMILIES = ("true", "false")
LIMIT = limit_of(Gauge())
SEED = 43


def made_with(disturbance: str | None, count: int, **asked: float) -> Iterator[Made]:
    """Make curves of both families, `count` of each, with a disturbance drawn for each."""
    for family in FAMILIES:
        for index in range(count):
            yield make(draw(SEED, index, family, disturbance=disturbance, **asked))


def inspected(made: Made) -> Inspection:
    """Inspect a made curve under what its head states."""
    return inspect(Hold(curve_of(made), conditions_of(made), LIMIT))


def codes(found: Inspection) -> set[str]:
    """Name everything that was found."""
    return {finding.code for finding in (*found.spoiled, *found.notes)}


def moment_of(made: Made) -> float:
    """Get when the disturbance happened, in the time of the file."""
    return made.hold_start_s + made.scenario.disturbances[-1].at_s


def is_wrong(made: Made) -> bool:
    """Tell whether the whole analysis gives the opposite of the true verdict."""
    outcome = analyse_hold(curve_of(made), conditions_of(made), LIMIT).outcome
    return outcome is (Outcome.PASS if made.truth.multiple > 1.0 else Outcome.FAIL)


def flat(
    pressure_pa: float = 50_000.0, seed: int = 1, hold_s: float = 60.0
) -> tuple[np.ndarray, np.ndarray]:
    """Make a hold without leak or settling at 50 Hz: times, and 8 Pa of noise about a pressure."""
    time_s = np.arange(0.0, hold_s, 0.02)
    return time_s, np.random.default_rng(seed).normal(pressure_pa, 8.0, time_s.size)


def plain(
    time_s: np.ndarray, pressure_pa: np.ndarray, ambient_pa: np.ndarray | None = None
) -> Inspection:
    """Inspect a plain record in 75 cm3 under 101.1 kPa."""
    conditions = HoldConditions(101_100.0, 295.15, 75e-6, 0.75e-6)
    return inspect(Hold(HoldCurve(time_s, pressure_pa, None, ambient_pa), conditions, LIMIT))


def test_undisturbed_holds_are_not_spoiled() -> None:
    """Of 160 holds with every kind of settling, drift and noise none is spoiled or split.

    A sticking rod may be split: its slips are jumps.
    """
    for made in made_with(None, 80):
        found = inspected(made)
        assert found.spoiled == (), (made.scenario.index, made.labels)
        # A sensor that lags still trails the pull as the hold begins.
        assert found.strokes_end_s <= made.t_s[0] + 5.0 * made.scenario.sensor.lag_s
        if made.scenario.kind != "sticking_rod":
            assert codes(found) <= {"wild_samples", "leaks_to_ambient"}, made.labels
            assert made.t_s[found.first] == found.strokes_end_s


def test_undisturbed_holds_have_next_to_no_wild_samples() -> None:
    """Fewer than one sample in 10 000 is left out of curves that have none to leave out."""
    wild = samples = 0
    for made in made_with(None, 30):
        wild += int(np.count_nonzero(inspected(made).wild))
        samples += made.t_s.size
    assert wild < 1e-4 * samples


def test_a_leak_to_ambient_ends_its_hold() -> None:
    """A leak that empties the vacuum is no hose: the hold ends where the vacuum is gone.

    Its moment is that of the curve: 4 % of the vacuum left.
    """
    seen = 0
    for index in range(12):
        made = make(draw(SEED, index, "true", multiple=14.0, volume_cc=25.0, law="orifice"))
        found = inspected(made)
        assert found.spoiled == ()
        assert "leaks_to_ambient" in codes(found)
        vacuum = made.stated.ambient_pa - made.pressure_pa
        left = float(np.median(vacuum[found.stop - 5 : found.stop]))
        assert left / float(vacuum[0]) == pytest.approx(0.04, abs=0.02)
        seen += 1
    assert seen == 12


def test_a_hose_that_comes_off_is_found() -> None:
    """Whatever the leak and the noise: spoiled, and located within a quarter of a second."""
    for made in made_with("hose_off", 40):
        found = inspected(made)
        assert [finding.code for finding in found.spoiled] == ["hose_off"], made.labels
        assert found.spoiled[0].figures["time_s"] == pytest.approx(moment_of(made), abs=0.25)


def test_a_venting_after_the_hold_looks_like_a_hose() -> None:
    """From the curve alone the two cannot be told apart: never a verdict, located at the venting.

    What was recorded before it stays in the file, for whoever knows better.
    """
    for kind in ("vented_after", "pull_and_vent"):
        for made in made_with(kind, 10):
            found = inspected(made)
            assert [finding.code for finding in found.spoiled] == ["hose_off"], made.labels
            assert found.spoiled[0].figures["time_s"] == pytest.approx(made.hold_end_s, abs=0.25)


def noisy_enough(made: Made) -> bool:
    """Tell whether a sensor has noise of a half step: then no reading repeats for long."""
    return made.scenario.sensor.noise_pa >= 0.5 * made.scenario.sensor.step_pa


def test_a_frozen_reading_is_found_where_the_noise_shows_it() -> None:
    """With half a step of noise or more: spoiled, located within 0.15 s, lasting to the end."""
    seen = 0
    for made in made_with("frozen", 40):
        if noisy_enough(made):
            found = inspected(made)
            assert [finding.code for finding in found.spoiled] == ["frozen"], made.labels
            figures = found.spoiled[0].figures
            assert figures["time_s"] == pytest.approx(moment_of(made), abs=0.15)
            end_s = float(figures["time_s"]) + float(figures["lasting_s"])
            assert end_s == pytest.approx(made.t_s[-1], abs=0.01)
            seen += 1
    assert seen >= 40


@pytest.mark.parametrize("multiple", [0.3, 3.0])
def test_a_frozen_reading_never_makes_a_wrong_verdict(multiple: float) -> None:
    """On a coarse and quiet converter it may be missed, but bad is not called good for it."""
    for made in made_with("frozen", 16, multiple=multiple):
        if not noisy_enough(made) and not inspected(made).spoiled:
            assert not is_wrong(made), (made.scenario.index, made.labels)


def test_a_reading_that_freezes_for_a_while_is_found() -> None:
    """Five seconds in the middle of a hold are enough, and it is said how long they last."""
    time_s, p = flat()
    p[(time_s >= 20.0) & (time_s < 25.0)] = p[1000]
    (frozen,) = plain(time_s, p).spoiled
    assert frozen.code == "frozen"
    assert frozen.figures["time_s"] == pytest.approx(20.0, abs=0.03)
    assert frozen.figures["lasting_s"] == pytest.approx(5.0, abs=0.05)


def clipped_on_its_grid(made: Made) -> Made:
    """Put the sensor's end on one of the values that its converter gives, 1 kPa above the lowest.

    No noise or converter makes a reading between its own codes.
    """
    step = made.scenario.sensor.step_pa
    end_pa = float(np.min(made.pressure_pa)) + step * np.ceil(1000.0 / step)
    return replace(made, pressure_pa=np.maximum(made.pressure_pa, end_pa))


def test_a_sensor_at_its_end_is_found() -> None:
    """A reading that stands at its lowest for two seconds or more: spoiled, located at the start.

    Leak and settling are fastest at once, so that nothing else stands still there. Where it never
    leaves its end within the record it can only be called frozen.
    """
    seen = 0
    for made in map(clipped_on_its_grid, made_with(None, 40)):
        stands = made.pressure_pa == np.min(made.pressure_pa)
        stands_s = made.t_s[int(np.argmin(stands))] if not stands.all() else 60.0
        if stands_s >= 2.0:
            (finding,) = inspected(made).spoiled
            assert finding.code in {"sensor_at_end", "frozen"}, made.labels
            assert finding.figures["time_s"] == pytest.approx(0.0, abs=0.5)
            seen += 1
    assert seen >= 15


@pytest.mark.parametrize("multiple", [0.3, 3.0])
def test_a_sensor_at_its_end_never_makes_a_wrong_verdict(multiple: float) -> None:
    """However short or quiet the stand, bad is not called good for it, nor good bad."""
    for made in map(clipped_on_its_grid, made_with(None, 12, multiple=multiple)):
        if not inspected(made).spoiled:
            assert not is_wrong(made), (made.scenario.index, made.labels)


@pytest.mark.parametrize("pressure_pa", [0.0, 400.0, 1500.0])
def test_a_pressure_that_no_pump_reaches_is_a_sensor_fault(pressure_pa: float) -> None:
    """Below 2 kPa absolute a wire is broken or a sensor at its end: nothing is judged on it."""
    time_s, p = flat(pressure_pa)
    (finding,) = plain(time_s, np.maximum(p, 0.0)).spoiled
    assert finding.code == "sensor_at_end"


def test_lost_frames_are_tolerated_and_located() -> None:
    """Gaps of half a second to ten of a minute's hold: noted with place and length, not spoiled."""
    for made in made_with("frames_lost", 30):
        found = inspected(made)
        gap = made.scenario.disturbances[-1]
        notes = [n for n in found.notes if n.code == "frames_lost_tolerated"]
        assert found.spoiled == (), made.labels
        # At 20 Hz half a second is ten samples; less than 0.3 s is no gap to speak of.
        (note,) = notes
        assert note.figures["time_s"] == pytest.approx(moment_of(made), abs=0.1)
        assert note.figures["lasting_s"] == pytest.approx(
            gap.lasts_s, abs=2.1 / made.scenario.sensor.rate_hz
        )


@pytest.mark.parametrize(("lost_s", "spoils"), [(15.0, False), (30.0, True)])
def test_too_many_lost_frames_spoil(lost_s: float, spoils: bool) -> None:
    """A quarter of a hold may be missing, a half may not."""
    time_s, p = flat()
    kept = (time_s < 10.0) | (time_s >= 10.0 + lost_s)
    found = plain(time_s[kept], p[kept])
    assert codes(found) == {"frames_lost" if spoils else "frames_lost_tolerated"}
    assert bool(found.spoiled) is spoils


def test_an_uneven_recorder_loses_no_frames() -> None:
    """Jitter of a third of the interval, and every tenth frame twice as late, is no gap."""
    rng = np.random.default_rng(2)
    interval = 0.02 * (1.0 + 0.3 * rng.uniform(-1.0, 1.0, 3000))
    interval[::10] *= 2.0
    time_s = np.cumsum(interval)
    assert codes(plain(time_s, rng.normal(50_000.0, 8.0, 3000))) == set()


def test_a_partial_jump_splits_the_hold() -> None:
    """A jump of 0.2 inHg or more is found within a quarter of a second; no piece contains it.

    Pieces begin and end clear of it, and the larger one is kept.
    """
    for made in made_with("partial_jump", 30):
        found = inspected(made)
        jump_s = moment_of(made)
        if found.gone_s is not None:
            continue
        notes = [n for n in found.notes if n.code == "jump_split"]
        assert found.spoiled == (), made.labels
        assert min(abs(float(n.figures["time_s"]) - jump_s) for n in notes) < 0.25
        begin, end = made.t_s[found.first], made.t_s[found.stop - 1]
        assert not begin <= jump_s <= end
        if made.scenario.kind != "sticking_rod":
            assert end - begin >= max(jump_s - made.hold_start_s, 60.0 - jump_s) - 2.5


@pytest.mark.parametrize("times", [2.0, 5.0])
@pytest.mark.parametrize("at_s", [20.0, 40.0, 52.0])
def test_a_leak_that_begins_in_the_hold_spoils_it(times: float, at_s: float) -> None:
    """A seat that opens, or a hose half off, at several limits: never judged by the good part.

    Where the change of slope is too small to be seen as one, no verdict comes of it either.
    """
    time_s, p = flat()
    leaking = p + times * 102.0 * np.maximum(time_s - at_s, 0.0)
    conditions = HoldConditions(101_100.0, 295.15, 75e-6, 0.75e-6)
    result = analyse_hold(HoldCurve(time_s, leaking), conditions, LIMIT)
    assert result.outcome in {Outcome.INVALID, Outcome.UNDECIDED, Outcome.FAIL}
    if times == 5.0:
        (found,) = [f for f in result.reasons if f.code == "leak_grew"]
        assert found.figures["time_s"] == pytest.approx(at_s, abs=0.3)


def test_the_room_must_stand_still() -> None:
    """A barometer that moves by 600 Pa or more spoils the hold; the finding says by how much."""
    for made in made_with("ambient_moved", 30):
        found = inspected(made)
        (finding,) = [f for f in found.spoiled if f.code == "ambient_moved"]
        size = abs(made.scenario.disturbances[-1].size)
        # The move may begin so late that the record ends within it.
        left_s = 60.0 - made.scenario.disturbances[-1].at_s
        moved = size * min(1.0, left_s / made.scenario.disturbances[-1].lasts_s)
        assert finding.figures["change_pa"] == pytest.approx(moved, abs=0.05 * moved + 15.0)


def test_a_barometer_may_wander_a_little() -> None:
    """A fall of 100 Pa in a minute is weather, and 5 Pa of noise with a spike no move at all."""
    time_s, p = flat()
    barometer = 101_100.0 - 100.0 * time_s / 60.0
    barometer += np.random.default_rng(3).normal(0.0, 5.0, time_s.size)
    barometer[700] += 3_000.0
    assert codes(plain(time_s, p, barometer)) == set()


def test_a_target_that_was_not_reached_spoils() -> None:
    """A hold from 3 to 13 inHg says nothing against a limit from 15; what was reached is said."""
    for made in made_with("target_not_reached", 30):
        found = inspected(made)
        (finding,) = found.spoiled
        assert finding.code == "target_not_reached"
        started = made.scenario.start_vacuum_pa
        assert finding.figures["vacuum_pa"] == pytest.approx(started, rel=0.1)
        assert finding.figures["target_pa"] == LIMIT.from_vacuum_pa


@pytest.mark.parametrize(("vacuum_inhg", "spoiled"), [(14.6, False), (13.9, True), (17.0, False)])
def test_a_hold_may_start_half_an_inch_short(vacuum_inhg: float, spoiled: bool) -> None:
    """Half an inch of mercury below the limit's vacuum is near enough, a whole one is not."""
    found = plain(*flat(101_100.0 - vacuum_inhg * INHG_PA))
    assert bool(found.spoiled) is spoiled


def test_without_a_limit_there_is_no_target() -> None:
    """Just measuring asks for a vacuum to measure, not for a certain one."""
    time_s, p = flat(101_100.0 - 6.0 * INHG_PA)
    measuring = replace(LIMIT, max_drop_pa=None)
    conditions = HoldConditions(101_100.0, 295.15, 75e-6, 0.75e-6)
    assert inspect(Hold(HoldCurve(time_s, p), conditions, measuring)).spoiled == ()


@pytest.mark.parametrize(
    ("pressure_pa", "code"),
    [(101_100.0, "no_vacuum"), (100_500.0, "no_vacuum"), (180_000.0, "above_ambient")],
)
def test_what_is_no_vacuum_is_no_hold(pressure_pa: float, code: str) -> None:
    """A vented or a pressurised volume is called that, and nothing else beside it."""
    found = plain(*flat(pressure_pa))
    assert [finding.code for finding in found.spoiled] == [code]


def test_the_pull_before_the_hold_is_told_from_it() -> None:
    """With the strokes in the record the hold begins at the last of them, within 0.15 s.

    A lagging sensor shows it later, by up to four of its time constants.
    """
    for made in made_with("pull_down", 30):
        found = inspected(made)
        late_s = found.strokes_end_s - made.hold_start_s
        lag_s = made.scenario.sensor.lag_s
        assert -0.15 <= late_s <= 0.15 + 4.0 * lag_s, made.labels
        assert found.spoiled == (), made.labels
        assert hold_start_s(curve_of(made)) == found.strokes_end_s


def test_a_second_pull_begins_the_hold_anew() -> None:
    """Where the pump was worked again in the record, what follows is the hold."""
    time_s, p = flat()
    again = np.where(time_s < 20.0, p + 2500.0, p)
    found = plain(time_s, again)
    assert found.strokes_end_s == pytest.approx(20.0, abs=0.15)
    assert found.spoiled == ()


def test_a_record_that_begins_late_is_judged_all_the_same() -> None:
    """Started up to eight seconds after the pump valve closed: not spoiled, unless lost by then."""
    for made in made_with("start_delayed", 30):
        found = inspected(made)
        short = LIMIT.from_vacuum_pa - (made.stated.ambient_pa - float(np.min(made.pressure_pa)))
        if short < 1500.0:
            assert found.spoiled == (), made.labels


def test_wild_samples_are_marked_and_do_not_spoil() -> None:
    """Nearly all of the put-in spikes are marked, and they neither spoil nor split the hold."""
    for made in made_with("wild_samples", 30):
        clean = make(replace(made.scenario, disturbances=()))
        put = np.abs(made.pressure_pa - clean.pressure_pa) > 400.0
        found = inspected(made)
        assert found.spoiled == (), (made.scenario.index, made.labels)
        if made.scenario.kind != "sticking_rod":
            assert "jump_split" not in codes(found), (made.scenario.index, made.labels)
        assert np.count_nonzero(put & ~found.wild) <= 0.05 * np.count_nonzero(put) + 1

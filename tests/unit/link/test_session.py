"""Tests of the session: hello, configuration, loss and return, all in simulated time."""

import itertools
import re
from collections.abc import Callable
from datetime import UTC, datetime

import pytest

from rig.clock import FastClock
from rig.errors import LinkError
from rig.link.frames import BoardFault, SupplyCause, SupplyState
from rig.link.session import Connected, Event, Lost, Restarted, Session, State
from rig.readings import ChannelSpec, Samples
from tests.unit.link import wire
from tests.unit.link.board import Board, FakePort

STEP_S = 0.01


class Bench:
    """A session with its board, and all that happened."""

    def __init__(self) -> None:
        self.clock = FastClock(datetime(2026, 1, 1, tzinfo=UTC))
        self.board = Board(self.clock)
        self.clock.attach(self.board.pass_time)
        self.refusal: str | None = None
        self.tries_s: list[float] = []
        self.ports: list[FakePort] = []
        self.session = Session(self._open, rate_hz=100, lease_s=0.4, clock=self.clock)
        self.began_s = self.clock.mono_s()
        self.events: list[tuple[float, Event]] = []

    def _open(self) -> FakePort:
        self.tries_s.append(self.now_s)
        if self.refusal is not None:
            raise LinkError(self.refusal)
        self.ports.append(FakePort(self.board))
        return self.ports[-1]

    @property
    def now_s(self) -> float:
        """Get the time since the beginning."""
        return round(self.clock.mono_s() - self.began_s, 6)

    def run(self, duration_s: float, *, beat: bool = False) -> list[Event]:
        """Poll every 10 ms, as the daemon does; return what happened."""
        found: list[Event] = []
        for _ in range(round(duration_s / STEP_S)):
            self.clock.wait(STEP_S)
            events = self.session.poll()
            self.events += [(self.now_s, event) for event in events]
            found += events
            if beat:
                self.session.beat()
        return found

    def told(self, kind: type) -> list[Event]:
        """List what happened of one kind."""
        return [event for _, event in self.events if isinstance(event, kind)]


@pytest.fixture
def bench() -> Bench:
    """Make a bench whose board behaves."""
    return Bench()


def _numbers(events: list[Event]) -> list[int]:
    return [
        int(number)
        for event in events
        if isinstance(event, Samples)
        for number in event.sequence.tolist()
    ]


def test_the_board_is_greeted_configured_and_read(bench: Bench) -> None:
    """Ask, hello, configuration, acknowledgement; then samples, each once, none left out."""
    assert bench.session.state is State.SEARCHING
    assert bench.session.hello is None
    assert bench.session.last_data_mono_s is None
    events = bench.run(1.0)
    assert isinstance(events[0], Connected)
    assert bench.board.heard == ["ask 0", "config 1 100 400"]
    assert bench.session.state is State.STREAMING
    assert bench.session.hello == events[0].hello
    assert bench.session.cause is None
    assert events[0].hello.channels == (
        ChannelSpec("p0", 14, 3.3),
        ChannelSpec("d0", 12, 2.5, signed=True),
    )
    assert (events[0].hello.rate_hz, events[0].hello.lease_ms) == (100, 400)
    numbers = _numbers(events)
    assert numbers == list(range(len(numbers)))
    assert len(numbers) >= 95
    assert bench.session.last_data_mono_s == bench.clock.mono_s()
    assert (bench.session.refused, bench.session.missing) == (0, 0)


def test_nothing_before_the_hello_is_believed(bench: Bench) -> None:
    """A board that already streams, from a program before this one, is not believed on sight."""
    bench.board.streams = True
    bench.board.deaf = True
    bench.board.say("supply 0 1 on")
    bench.board.say("fault 0 1 late - x")
    assert bench.run(0.5) == []
    assert bench.session.state is State.GREETING
    bench.board.deaf = False
    events = bench.run(1.0)
    assert isinstance(events[0], Connected)
    assert all(isinstance(event, Samples) for event in events[1:])


def test_what_the_board_tells_beside_samples_is_passed_on(bench: Bench) -> None:
    """Faults and the supply's state arrive as they are, between the samples."""
    bench.run(0.5)
    bench.board.say("supply 50 1 on")
    bench.board.say("fault 50 2 input_failed p0 errno 5")
    bench.board.say("supply 50 3 off stop")
    told = [event for event in bench.run(0.1) if not isinstance(event, Samples)]
    assert told == [
        SupplyState(on=True, cause=None),
        BoardFault("input_failed", "p0", "errno 5"),
        SupplyState(on=False, cause=SupplyCause.STOP),
    ]


# greetings that fail


def _mute(board: Board) -> None:
    board.mute = True


def _echo(board: Board) -> None:
    board.echoes = True


def _other_device(board: Board) -> None:
    board.deaf, board.noise = True, b"$XYZZY,1,2*47\r\n"


def _hum(board: Board) -> None:
    board.deaf, board.noise = True, b"\xff\x00\xfe"


def _torn(board: Board) -> None:
    board.head = "hello 0 1 1 fw b boot 0 0"


@pytest.mark.parametrize(
    ("spoil", "sentence"),
    [
        (_mute, r"Nothing answers.*flash the firmware"),
        (_other_device, r"something else than the board.*link\.port"),
        (_hum, r"something else than the board.*link\.port"),
        (_echo, r"repeats what it is told.*flash the firmware"),
        (_torn, r"never introduced itself whole"),
    ],
)
def test_why_no_hello_came_is_said(
    bench: Bench, spoil: Callable[[Board], None], sentence: str
) -> None:
    """Silence, another device, a bare board, a torn hello: each has its sentence, after 5 s."""
    spoil(bench.board)
    assert bench.run(4.9) == []
    (lost,) = bench.run(0.3)
    assert isinstance(lost, Lost)
    assert re.search(sentence, lost.cause)
    assert bench.session.cause == lost.cause
    assert bench.ports[0].closed
    assert bench.session.state is State.SEARCHING


def test_a_cause_is_told_once(bench: Bench) -> None:
    """A board that stays away for a minute is one event, and another reason is another."""
    bench.refusal = "There is no serial port: plug the board in."
    bench.run(60.0)
    bench.refusal = "Another program has it open."
    bench.run(60.0)
    assert bench.told(Lost) == [
        Lost("There is no serial port: plug the board in."),
        Lost("Another program has it open."),
    ]


def test_the_port_is_tried_less_and_less_often(bench: Bench) -> None:
    """0.2 s, then twice as long each time, and 5 s at most."""
    bench.refusal = "There is none."
    bench.run(22.0)
    waits = [round(b - a, 2) for a, b in itertools.pairwise(bench.tries_s)]
    assert waits[:5] == pytest.approx([0.2, 0.4, 0.8, 1.6, 3.2], abs=1.1 * STEP_S)
    assert waits[5:] == pytest.approx([5.0] * len(waits[5:]), abs=1.1 * STEP_S)
    assert len(waits[5:]) == 3


def test_another_version_says_what_to_flash(bench: Bench) -> None:
    """The sentence names both versions and the firmware; a board that is flashed then works."""
    bench.board.head = "hello 0 1 2 stillgauge-2.0 and more"
    (lost,) = bench.run(0.1)
    assert isinstance(lost, Lost)
    assert "stillgauge-2.0" in lost.cause
    assert "version 2 of the protocol, this program version 1" in lost.cause
    assert "flash the firmware" in lost.cause
    bench.run(20.0)
    assert len(bench.told(Lost)) == 1
    bench.board.head = None
    bench.run(5.1)
    assert bench.session.state is State.STREAMING


def test_a_board_that_starts_when_its_port_opens_is_waited_for(bench: Bench) -> None:
    """It hears no question for two seconds, then says hello by itself."""
    bench.board.mute = bench.board.deaf = True
    bench.run(2.0)
    bench.board.mute = bench.board.deaf = False
    bench.board.begin_anew("boot-1")
    assert isinstance(bench.run(0.1)[0], Connected)
    assert bench.told(Lost) == []


def test_the_question_is_repeated_each_half_second(bench: Bench) -> None:
    """One that is lost costs no more than that."""
    bench.board.deaf = True
    bench.run(2.3)
    assert bench.board.heard == ["ask 0", "ask 1", "ask 2", "ask 3", "ask 4"]


# configuration


def test_a_configuration_that_got_lost_is_sent_again(bench: Bench) -> None:
    """Each time under a new number, 0.3 s apart; any of them may be acknowledged."""
    bench.run(0.01)
    bench.board.deaf = True
    bench.run(1.0)
    assert bench.board.heard[1:] == [f"config {number} 100 400" for number in (1, 2, 3, 4)]
    late = f"{wire.crc32(b'config 2 100 400'):08x}"
    bench.board.say(f"ack 0 1 {late}")
    assert isinstance(bench.run(0.02)[0], Connected)


def test_an_acknowledgement_of_something_else_counts_for_nothing(bench: Bench) -> None:
    """Not even if it came from this board a moment ago."""
    bench.run(0.01)
    bench.board.deaf = True
    bench.board.say(f"ack 0 1 {wire.crc32(b'config 1 200 400'):08x}")
    assert bench.run(0.2) == []
    assert bench.session.state is State.GREETING


def test_a_configuration_without_an_answer_is_given_up(bench: Bench) -> None:
    """After five times, 1.5 s; the sentence says what was asked, and where it stands."""
    bench.run(0.01)
    bench.board.deaf = True
    assert bench.run(1.48) == []
    (lost,) = bench.run(0.1)
    assert isinstance(lost, Lost)
    assert "100 samples a second with a lease of 400 ms (no answer)" in lost.cause
    assert "rate_hz and lease_ms in the bench file" in lost.cause
    assert [body.split()[0] for body in bench.board.heard] == ["ask"] + 5 * ["config"]


def test_a_configuration_that_is_refused_is_not_repeated(bench: Bench) -> None:
    """What the board says to it is handed on at once."""
    bench.board.refuses = "rate 20 to 1000 a second, lease 200 to 2000 ms"
    (lost,) = bench.run(0.1)
    assert isinstance(lost, Lost)
    assert "(rate 20 to 1000 a second, lease 200 to 2000 ms)" in lost.cause
    assert bench.board.heard == ["ask 0", "config 1 100 400"]


# loss and return


def test_a_cable_that_is_pulled_is_lost_at_once_and_found_again(bench: Bench) -> None:
    """Told once, at the next poll; the board that comes back streams within a second."""
    bench.run(1.0)
    bench.board.gone = True
    assert bench.run(STEP_S) == [Lost("The board is gone: look at its cable.")]
    assert bench.session.state is State.LOST
    assert bench.session.hello is not None, "what it was is still known"
    bench.refusal = "There is no serial port."
    bench.run(2.0)
    bench.board = board = Board(bench.clock, "boot-2")
    bench.clock.attach(board.pass_time)
    bench.refusal = None
    bench.run(1.7)
    assert bench.session.state is State.STREAMING
    assert bench.session.hello.boot == "boot-2"
    assert [type(event) for event in bench.told(Lost)] == [Lost, Lost]
    assert bench.ports[0].closed


def test_waiting_begins_anew_after_each_return(bench: Bench) -> None:
    """A board that was away for long is looked for quickly the next time."""
    bench.refusal = "There is none."
    bench.run(20.0)
    bench.refusal = None
    bench.run(6.0)
    assert bench.session.state is State.STREAMING
    bench.board.gone = True
    bench.run(STEP_S)
    bench.board.gone = False
    bench.run(0.25)
    assert bench.session.state is State.STREAMING


def test_silence_for_three_seconds_is_a_loss(bench: Bench) -> None:
    """A port that is fine and says nothing has no board."""
    bench.run(1.0)
    bench.board.mute = True
    assert bench.run(2.95) == []
    assert bench.session.state is State.STREAMING
    (lost,) = bench.run(0.1)
    assert isinstance(lost, Lost)
    assert "said nothing for 3 s" in lost.cause


def test_noise_for_three_seconds_is_a_loss(bench: Bench) -> None:
    """Bytes alone are no board."""
    bench.run(1.0)
    bench.board.mute = True
    bench.board.noise = b"\x80garbled\n"
    assert bench.run(2.95) == []
    assert bench.session.refused > 250
    (lost,) = bench.run(0.1)
    assert isinstance(lost, Lost)
    assert "nothing that came from the board was whole" in lost.cause


def test_stale_samples_alone_are_no_loss(bench: Bench) -> None:
    """A board that speaks is there, even if its samples stay away: others decide about that."""
    bench.run(1.0)
    bench.board.streams = False
    last_s = bench.session.last_data_mono_s
    for _ in range(10):
        bench.board.say(f"supply {bench.board.number} {bench.board.us} off beats")
        assert bench.run(1.0) == [SupplyState(on=False, cause=SupplyCause.BEATS)]
    assert bench.session.state is State.STREAMING
    assert bench.session.last_data_mono_s == last_s


def test_a_loss_is_no_error_to_the_one_who_beats(bench: Bench) -> None:
    """A heartbeat never raises: before the first port, after the loss, after the end."""
    bench.session.beat()
    bench.run(0.5)
    bench.board.gone = True
    bench.session.beat()
    assert [type(event) for event in bench.run(STEP_S)] == [Lost]
    bench.session.beat()
    bench.session.close()
    bench.session.beat()


# restart


def test_a_board_that_begins_anew_is_noticed_and_greeted(bench: Bench) -> None:
    """Restarted tells the new start; it is configured again, and its samples count from 0."""
    bench.run(1.0)
    bench.board.begin_anew("boot-2")
    restarted, connected, *rest = bench.run(1.0)
    assert isinstance(restarted, Restarted)
    assert isinstance(connected, Connected)
    assert restarted.hello.boot == connected.hello.boot == "boot-2"
    assert bench.board.heard[-1] == "config 2 100 400"
    numbers = _numbers(rest)
    assert numbers == list(range(len(numbers)))
    assert len(numbers) >= 95
    assert len(bench.ports) == 1, "the port is the same"
    assert bench.told(Lost) == []


def test_until_it_is_configured_again_nothing_is_believed_and_nothing_beats(bench: Bench) -> None:
    """Between its two hellos a board has no say, and holds no supply."""
    bench.run(0.5, beat=True)
    bench.board.deaf = True
    bench.board.begin_anew("boot-2")
    heard = len(bench.board.heard)
    bench.board.say("supply 0 1 on")
    bench.board.say("0 2 1 1")
    assert [type(event) for event in bench.run(0.5, beat=True)] == [Restarted]
    assert bench.session.state is State.GREETING
    assert {body.split()[0] for body in bench.board.heard[heard:]} == {"config"}


def test_a_restart_in_the_greeting_is_only_another_greeting(bench: Bench) -> None:
    """What never streamed cannot be restarted; the newer start is the one that is configured."""
    bench.run(0.01)
    bench.board.deaf = True
    bench.run(0.1)
    bench.board.deaf = False
    bench.board.begin_anew("boot-2")
    connected, *_ = bench.run(0.5)
    assert isinstance(connected, Connected)
    assert connected.hello.boot == "boot-2"
    assert bench.told(Restarted) == []


def test_an_answer_too_many_is_no_restart(bench: Bench) -> None:
    """The hello of the start that is known already changes nothing."""
    bench.run(0.5)
    bench.board.say_hello()
    assert all(isinstance(event, Samples) for event in bench.run(0.5))
    numbers = _numbers([event for _, event in bench.events])
    assert numbers == list(range(len(numbers)))


# heartbeats


def test_beats_are_sent_at_most_eight_times_in_a_lease(bench: Bench) -> None:
    """Given each 10 ms, sent each 50 ms of a lease of 400 ms; the numbers go up by one."""
    bench.run(0.1)
    before = len(bench.board.heard)
    bench.run(2.0, beat=True)
    beats = bench.board.heard[before:]
    assert beats == [f"beat {number}" for number in range(2, 2 + len(beats))]
    assert 38 <= len(beats) <= 41


def test_no_beat_is_sent_unless_one_is_given(bench: Bench) -> None:
    """The session alone keeps no supply: that is for the engine's own turn."""
    bench.run(3.0)
    assert [body for body in bench.board.heard if body.startswith("beat")] == []


def test_no_beat_is_sent_before_the_board_streams(bench: Bench) -> None:
    """A board that has not taken its configuration gets none."""
    bench.board.deaf = True
    bench.run(2.0, beat=True)
    assert [body for body in bench.board.heard if body.startswith("beat")] == []


# the end


def test_after_the_end_nothing_happens(bench: Bench) -> None:
    """The port is closed, and no other is opened."""
    bench.run(0.5)
    bench.session.close()
    bench.session.close()
    assert bench.ports[0].closed
    assert bench.run(10.0) == []
    assert len(bench.ports) == 1


def test_missing_and_refused_are_counted(bench: Bench) -> None:
    """A gap of four, a line that is no line."""
    bench.run(0.5)
    bench.board.number += 4
    bench.board.say("nonsense")
    events = bench.run(0.5)
    assert sum(event.missing for event in events if isinstance(event, Samples)) == 4
    assert (bench.session.missing, bench.session.refused) == (4, 1)

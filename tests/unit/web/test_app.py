"""Tests of the rig's door: every route, who may use it how, and what it says of bad asking."""

from collections.abc import Mapping
from dataclasses import dataclass, field

import pytest
from flask.testing import FlaskClient

from rig.engine import Status
from rig.errors import BenchError, InputError, StoreError
from rig.procedure.steps import State
from rig.records import Finding, Outcome
from rig.runs import Ending, KeptRun, RunResult
from rig.web.app import create_app
from rig.web.desk import Health, TestRequest

HOST = "localhost"
GETS = ("/healthz", "/api/status")
POSTS = ("/api/mark", "/api/stop-after-step", "/api/abort", "/api/reset")
STARTS = ("/api/self-test", "/api/rig-volume")


@dataclass
class NotingDesk:
    """Does everything that it is asked, and notes it."""

    done: list[object] = field(default_factory=list)
    troubles: tuple[Finding, ...] = ()
    refuses: Exception | None = None

    def status(self) -> Status:
        """Be holding."""
        return Status(
            State.HOLDING,
            run=7,
            step="one.hold",
            prompt=Finding("prompt_pump", {"target_pa": 54_000.0}),
            result=RunResult(Ending.FINISHED, Outcome.PASS),
        )

    def health(self) -> Health:
        """Be as well as the troubles allow."""
        return Health("streaming", 0.01, True, True, self.troubles)

    def kept(self, run: int) -> KeptRun:
        """Keep nothing."""
        raise InputError(f"there is no run {run}: look at the list of runs.")

    def start_test(self, asked: TestRequest) -> int:
        """Start, unless told to refuse."""
        return self._do(asked)

    def start_self_test(self) -> int:
        """Start."""
        return self._do("self-test")

    def start_rig_volume(self) -> int:
        """Start."""
        return self._do("rig-volume")

    def mark(self) -> None:
        """Note."""
        self._do("mark")

    def stop_after_step(self) -> None:
        """Note."""
        self._do("stop-after-step")

    def abort(self) -> None:
        """Note."""
        self._do("abort")

    def reset(self) -> None:
        """Note."""
        self._do("reset")

    def do(self, what: str, figures: Mapping[str, float | str]) -> None:
        """Note what is done to the simulated bench."""
        self._do((what, dict(figures)))

    def _do(self, what: object) -> int:
        if self.refuses is not None:
            raise self.refuses
        self.done.append(what)
        return 7


@pytest.fixture
def desk() -> NotingDesk:
    """Make a desk."""
    return NotingDesk()


@pytest.fixture
def client(desk: NotingDesk) -> FlaskClient:
    """Make a browser at this machine."""
    return create_app(desk, frozenset({HOST}), desk).test_client()


@pytest.mark.parametrize("path", GETS)
def test_looking_changes_nothing(client: FlaskClient, desk: NotingDesk, path: str) -> None:
    """A GET is answered, and nothing is done."""
    assert client.get(path).status_code == 200
    assert desk.done == []


@pytest.mark.parametrize("path", [*POSTS, *STARTS, "/api/test", "/api/simulated"])
def test_nothing_is_done_by_looking(client: FlaskClient, desk: NotingDesk, path: str) -> None:
    """What changes something takes a POST, and a POST of JSON."""
    assert client.get(path).status_code == 405
    assert client.post(path, data="x").status_code == 415
    assert desk.done == []


@pytest.mark.parametrize("path", [*GETS, *POSTS])
def test_another_host_name_is_refused(client: FlaskClient, desk: NotingDesk, path: str) -> None:
    """A page that points a name of its own at this machine gets nothing."""
    method = client.get if path in GETS else client.post
    answer = method(path, headers={"Host": "elsewhere.example"}, **_json(path))
    assert answer.status_code == 403
    assert desk.done == []


@pytest.mark.parametrize("path", POSTS)
def test_a_page_from_elsewhere_cannot_press_a_button(
    client: FlaskClient, desk: NotingDesk, path: str
) -> None:
    """The browser says where a request comes from; only the rig's own page may act."""
    strange = client.post(path, json={}, headers={"Origin": "http://elsewhere.example"})
    assert strange.status_code == 403
    assert desk.done == []
    own = client.post(path, json={}, headers={"Origin": f"http://{HOST}"})
    assert own.status_code == 200
    assert desk.done == [path.removeprefix("/api/")]


def test_status_tells_the_prompt_as_a_sentence(client: FlaskClient) -> None:
    """A program gets code and figures, a person the sentence."""
    told = client.get("/api/status").get_json()
    assert (told["state"], told["run"], told["step"]) == ("holding", 7, "one.hold")
    assert told["prompt"]["code"] == "prompt_pump"
    assert "Fingers clear" in told["prompt"]["sentence"]
    assert told["result"]["outcome"] == "pass"


def test_health_is_a_status_code_too(client: FlaskClient, desk: NotingDesk) -> None:
    """Well is 200; with a trouble it is 503, and says which."""
    assert client.get("/healthz").get_json()["well"] is True
    desk.troubles = (Finding("data_stale", {"age_s": 1.5}),)
    answer = client.get("/healthz")
    assert answer.status_code == 503
    assert answer.get_json()["troubles"][0]["code"] == "data_stale"


def test_a_test_is_asked_for_with_all_that_it_needs(client: FlaskClient, desk: NotingDesk) -> None:
    """Texts as typed reach the desk, and the number of the run comes back."""
    body = {
        "tag": "N01",
        "purpose": "for-sale",
        "tests": ["hold"],
        "limits": {"hold": {"shape": "drop"}},
        "confirmed": ["no_bleed"],
        "note": "second try",
    }
    answer = client.post("/api/test", json=body)
    assert (answer.status_code, answer.get_json()) == (201, {"run": 7})
    assert desk.done == [
        TestRequest(
            "N01", "for-sale", ("hold",), {"hold": {"shape": "drop"}}, ("no_bleed",), "second try"
        )
    ]


@pytest.mark.parametrize(
    ("body", "named"),
    [
        ({}, "tag"),
        ([], "object"),
        ({"tag": 7}, "tag"),
        ({"tag": "N01", "speed": 3}, "speed"),
        ({"tag": "N01", "tests": "hold"}, "tests"),
        ({"tag": "N01", "confirmed": [1]}, "confirmed"),
        ({"tag": "N01", "limits": {"hold": "1 inHg"}}, "limits"),
        ({"tag": "N01", "limits": {"hold": {"from": 15}}}, "limits"),
    ],
)
def test_a_bad_request_is_told_what_is_wrong_with_it(
    client: FlaskClient, desk: NotingDesk, body: object, named: str
) -> None:
    """One sentence that names the key, and nothing is begun."""
    answer = client.post("/api/test", json=body)
    assert answer.status_code == 400
    assert named in answer.get_json()["error"]
    assert desk.done == []


@pytest.mark.parametrize(
    ("error", "status"),
    [
        (InputError("no such purpose"), 400),
        (BenchError("a run is on"), 400),
        (StoreError("the disk is full"), 503),
    ],
)
def test_a_refusal_comes_as_its_sentence(
    client: FlaskClient, desk: NotingDesk, error: Exception, status: int
) -> None:
    """Whoever asks reads what the person at the bench would."""
    desk.refuses = error
    for path in STARTS:
        answer = client.post(path, json={})
        assert (answer.status_code, answer.get_json()) == (status, {"error": str(error)})


def test_a_run_that_is_not_there_is_told(client: FlaskClient) -> None:
    """With its number."""
    answer = client.get("/api/runs/9")
    assert answer.status_code == 400
    assert "run 9" in answer.get_json()["error"]


def test_only_a_simulated_bench_has_the_door_for_faults(desk: NotingDesk) -> None:
    """A real one has no such route."""
    simulated = create_app(desk, frozenset({HOST}), desk).test_client()
    done = simulated.post("/api/simulated", json={"do": "spike", "volts": 1})
    assert done.status_code == 200
    assert desk.done == [("spike", {"volts": 1})]
    assert simulated.post("/api/simulated", json={}).status_code == 400
    real = create_app(desk, frozenset({HOST})).test_client()
    assert real.post("/api/simulated", json={"do": "x"}).status_code == 404


def _json(path: str) -> dict[str, object]:
    return {} if path in GETS else {"json": {}}

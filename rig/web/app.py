"""Own the routes of the rig's web; never know a bench or wait for one.

Everything that changes something is a POST of JSON from the rig's own page or a program on this
machine: a page from elsewhere that is open in the same browser must not start a pump.
"""

from collections.abc import Callable, Mapping

from flask import Flask, Response, jsonify, request

from rig.errors import InputError, RigError
from rig.web import as_json
from rig.web.desk import Desk, SimulatedBench, TestRequest

_LARGEST_BODY = 64 * 1024
_STATUS_OF_EXIT: Mapping[int, int] = {2: 400, 3: 400, 4: 503, 5: 503}
_TEXTS = ("tag", "purpose", "note")


def create_app(desk: Desk, hosts: frozenset[str], simulated: SimulatedBench | None = None) -> Flask:
    """Make the application for a desk; `hosts` are the names that it may be asked under.

    A bench that is `simulated` has one more door.
    """
    app = Flask("rig.web", static_folder=None)
    app.config["MAX_CONTENT_LENGTH"] = _LARGEST_BODY

    @app.before_request
    def refuse_strangers() -> tuple[Response, int] | None:
        host = request.host.rpartition(":")[0] or request.host
        if host not in hosts:
            return _refusal("this host name is not the rig's", 403)
        if request.method not in ("GET", "HEAD"):
            origin = request.headers.get("Origin")
            if origin is not None and origin != request.host_url.rstrip("/"):
                return _refusal("the request comes from another page", 403)
            if not request.is_json:
                return _refusal("send JSON", 415)
        return None

    @app.errorhandler(RigError)
    def explain(error: RigError) -> tuple[Response, int]:
        return _refusal(str(error), _STATUS_OF_EXIT.get(error.exit_status, 409))

    @app.get("/healthz")
    def healthz() -> tuple[Response, int]:
        health = desk.health()
        return jsonify(as_json.health(health)), 503 if health.troubles else 200

    @app.get("/api/status")
    def status() -> Response:
        return jsonify(as_json.status(desk.status()))

    @app.get("/api/runs/<int:run>")
    def kept(run: int) -> Response:
        return jsonify(as_json.kept_run(desk.kept(run)))

    @app.post("/api/test")
    def start_test() -> tuple[Response, int]:
        return jsonify({"run": desk.start_test(_test_request(request.get_json()))}), 201

    @app.post("/api/self-test")
    def start_self_test() -> tuple[Response, int]:
        return jsonify({"run": desk.start_self_test()}), 201

    @app.post("/api/rig-volume")
    def start_rig_volume() -> tuple[Response, int]:
        return jsonify({"run": desk.start_rig_volume()}), 201

    for path, does in (
        ("mark", desk.mark),
        ("stop-after-step", desk.stop_after_step),
        ("abort", desk.abort),
        ("reset", desk.reset),
    ):
        app.add_url_rule(f"/api/{path}", path, _after(does, desk), methods=["POST"])

    if simulated is not None:

        @app.post("/api/simulated")
        def do() -> Response:
            body = request.get_json()
            if not isinstance(body, dict) or not isinstance(body.get("do"), str):
                raise InputError("the body must be a JSON object with 'do', and figures beside it")
            figures = {key: value for key, value in body.items() if key != "do"}
            simulated.do(body["do"], figures)
            return jsonify({})

    return app


def _after(does: Callable[[], None], desk: Desk) -> Callable[[], Response]:
    def done() -> Response:
        does()
        return jsonify(as_json.status(desk.status()))

    return done


def _refusal(sentence: str, status: int) -> tuple[Response, int]:
    return jsonify({"error": sentence}), status


def _test_request(body: object) -> TestRequest:
    if not isinstance(body, dict):
        raise InputError("the body must be a JSON object with at least 'tag'")
    known = {"tag", "purpose", "note", "tests", "limits", "confirmed"}
    for key in body:
        if key not in known:
            raise InputError(f"'{key}' is not known here; there are {', '.join(sorted(known))}")
    for key in _TEXTS:
        if key in body and not isinstance(body[key], str):
            raise InputError(f"'{key}' must be a text")
    for key in ("tests", "confirmed"):
        value = body.get(key, [])
        if not isinstance(value, list) or not all(isinstance(each, str) for each in value):
            raise InputError(f"'{key}' must be a list of texts")
    limits = body.get("limits")
    if limits is not None and not _is_tables(limits):
        raise InputError("'limits' must be an object of objects of texts, by the test's name")
    if "tag" not in body:
        raise InputError("'tag' is missing: whose test is it?")
    return TestRequest(
        tag=body["tag"],
        purpose=body.get("purpose"),
        tests=tuple(body.get("tests", ())),
        limits=limits,
        confirmed=tuple(body.get("confirmed", ())),
        note=body.get("note", ""),
    )


def _is_tables(value: object) -> bool:
    return isinstance(value, dict) and all(
        isinstance(table, dict) and all(isinstance(text, str) for text in table.values())
        for table in value.values()
    )

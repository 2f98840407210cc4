"""Own the thread that answers the web; never turn the loop or wait for it."""

import threading

from waitress import create_server, wasyncore

from rig.daemon.build import Built
from rig.daemon.sim_door import SimDoor
from rig.web.app import create_app

_HOST = "127.0.0.1"
_HOSTS = frozenset({_HOST, "localhost"})
_THREADS = 12
_STOP_S = 3.0


class WebThread:
    """A web server on this machine alone, in a thread of its own."""

    def __init__(self, built: Built, port: int) -> None:
        app = create_app(built.desk, _HOSTS, SimDoor(built) if built.device is not None else None)
        self._server = create_server(
            app,
            host=_HOST,
            port=port,
            threads=_THREADS,
            ident=None,
            outbuf_high_watermark=262_144,
            outbuf_overflow=524_288,
        )
        self._thread = threading.Thread(target=self._server.run, name="web", daemon=True)

    @property
    def address(self) -> str:
        """Get the address of the page."""
        return f"http://{_HOST}:{self._server.effective_port}/"

    def start(self) -> None:
        """Begin to answer."""
        self._thread.start()

    def stop(self) -> None:
        """Stop answering, and wait until it has."""
        self._server.close()
        wasyncore.close_all(self._server._map)
        self._server.task_dispatcher.shutdown(timeout=_STOP_S)
        self._thread.join(_STOP_S)

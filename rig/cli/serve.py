"""Own the commands `rig serve` and `rig safe`: the service and its end; never what it does.

At its end the outputs go to rest first, in the signal handler itself: what follows may take a
moment.
"""

import signal
from pathlib import Path

import click

from rig import words
from rig.cli.at_bench import DEFAULT_BENCH, BenchChoice, bench_at, bench_file_option, bench_options
from rig.cli.console import say
from rig.cli.verb import option, verb


@verb("serve")
@option("--port", text="port", type=click.IntRange(0, 65_535), default=8450)
@bench_options
def serve(*, port: int, choice: BenchChoice) -> int:
    """Run the rig as a service until it is told to stop."""
    from rig.daemon.serving import WebThread

    with bench_at(choice) as built:

        def end(_number: int, _frame: object) -> None:
            built.loop.safe_now()
            built.loop.stop()

        for number in (signal.SIGTERM, signal.SIGINT, signal.SIGHUP):
            signal.signal(number, end)
        web = WebThread(built, port)
        web.start()
        say(words.LIVE["serving"].format(address=web.address))
        try:
            built.loop.run()
        finally:
            web.stop()
    say(words.LIVE["stopped"])
    return 0


@verb("safe")
@bench_file_option
def safe(file: Path | None) -> int:
    """Bring every output to rest, and let go of it."""
    from rig.daemon.build import outputs_at_rest

    outputs_at_rest(file or DEFAULT_BENCH)
    say(words.LIVE["at_rest"])
    return 0

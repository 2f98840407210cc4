"""Own the command `rig selftest`: the rig's own tests in the terminal; never judge them."""

from rig.cli.at_bench import BenchChoice, bench_at, bench_options
from rig.cli.part_test import report
from rig.cli.verb import json_option, option, verb


@verb("selftest")
@option("--syringe", text="syringe", is_flag=True)
@json_option
@bench_options
def self_test(*, syringe: bool, as_json: bool, choice: BenchChoice) -> int:
    """Test the rig, or measure its volume, and return the exit status of what came of it."""
    from rig.cli.run_live import LiveRun

    with bench_at(choice) as built:
        live = LiveRun(built, quiet=as_json)
        live.wait_until_ready()
        desk = built.desk
        run = live.make(desk.start_rig_volume if syringe else desk.start_self_test)
        return report(built.loop.store, run, as_json=as_json)
